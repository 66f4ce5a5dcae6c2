/*
 * The two measuring elements and the thermometer. Fit another element by changing the
 * constants here and the two functions inclination_read and distance_read in elements.c.
 *
 * All three give a voltage that is a fixed part of the supply, and the converter measures
 * in parts of the supply: so the supply itself drops out (not for the thermometer).
 *
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#ifndef ELEMENTS_H
#define ELEMENTS_H

#include <stdint.h>

/* Inputs of the converter: PC0, PC1, PC2. */
#define INPUT_INCLINATION 0
#define INPUT_DISTANCE 1
#define INPUT_TEMPERATURE 2

/* From the papers of the inclinometer: its output level, in parts of the supply. */
#define INCLINATION_LEVEL_PART 0.5
/* ... and what one g along its axis adds: 2 V at 5 V. */
#define INCLINATION_G_PART 0.4
#define INCLINATION_RANGE_MICRODEGREES 30000000L
/* One step of the sum of 64 conversions: 1 / 65536 / 0.4 radians. */
#define INCLINATION_RESOLUTION_MICRODEGREES 2186L

/* From the papers of the distance module: millimetres for the whole supply ... */
#define DISTANCE_WHOLE_MM 1000.0
/* ... and the distances between which its output is linear. */
#define DISTANCE_MIN_MICROMETRES 100000L
#define DISTANCE_MAX_MICROMETRES 900000L
#define DISTANCE_RESOLUTION_MICROMETRES 15L
/* Below this part of the supply the module says 'no echo'. */
#define DISTANCE_NO_ECHO_PART 0.05

/* Thermometer: 0.5 V at 0 degrees Celsius, 10 mV each degree, on a 5 V supply. */
#define TEMPERATURE_SUPPLY_MV 5000.0
#define TEMPERATURE_ZERO_MV 500.0
#define TEMPERATURE_DEGREE_MV 10.0

/* One value with its status bits, as they go into a sample. */
typedef struct {
    int32_t value;
    uint16_t status;
    uint16_t raw; /* mean of the converter, for the detail of a fault */
} reading;

void elements_start(void);
reading inclination_read(void); /* microdegrees; takes about 7 ms */
reading distance_read(void);    /* micrometres; takes about 7 ms */
int16_t temperature_read(void); /* hundredths of a degree Celsius, or SW_NO_TEMPERATURE */

#endif

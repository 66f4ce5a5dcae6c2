/*
 * Measuring: voltages to angles, distances, temperatures.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include "elements.h"

#include <avr/io.h>
#include <math.h>

#include "stillheight_wire.h"

#define CONVERSIONS 64
#define FULL 1023

/* More than this between the smallest and the largest conversion: it moved meanwhile. */
#define CALM_STEPS 24

typedef struct {
    double part; /* of the supply, 0 to 1 */
    uint16_t low;
    uint16_t high;
    uint16_t mean;
} voltage;

void elements_start(void)
{
    /* 16 MHz / 128 = 125 kHz: the converter wants 50 to 200 kHz for ten bits. */
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    /* The inputs need no digital gates, which would only draw current. */
    DIDR0 = _BV(ADC0D) | _BV(ADC1D) | _BV(ADC2D);
}

static uint16_t convert(void)
{
    ADCSRA |= _BV(ADSC);
    while (ADCSRA & _BV(ADSC))
        ;
    return ADC;
}

static voltage measure(uint8_t input)
{
    voltage v = {0, FULL, 0, 0};
    uint32_t sum = 0;
    uint8_t i;

    ADMUX = _BV(REFS0) | input; /* reference: the supply */
    (void)convert();            /* the first after a change of input is not to be trusted */
    for (i = 0; i < CONVERSIONS; i++) {
        uint16_t now = convert();
        sum += now;
        if (now < v.low)
            v.low = now;
        if (now > v.high)
            v.high = now;
    }
    v.mean = (uint16_t)(sum / CONVERSIONS);
    /* A converter cuts off; the middle of the step is half a step up. */
    v.part = (sum + CONVERSIONS / 2.0) / (1024.0 * CONVERSIONS);
    return v;
}

static uint16_t remarks(const voltage *v)
{
    uint16_t status = SW_STATUS_GOOD;
    if (v->low == 0 || v->high == FULL)
        status |= SW_STATUS_SATURATED;
    if (v->high - v->low > CALM_STEPS)
        status |= SW_STATUS_NOT_SETTLED;
    return status;
}

static int32_t clamp(double value, int32_t min, int32_t max, uint16_t *status)
{
    if (value < min || value > max) {
        *status |= SW_STATUS_OVER_RANGE;
        return value < min ? min : max;
    }
    return (int32_t)lround(value);
}

static reading no_signal(const voltage *v)
{
    reading r = {0, SW_STATUS_NO_SIGNAL, v->mean};
    return r;
}

/* ---- the two functions to fill in for other elements ---- */

reading inclination_read(void)
{
    voltage v = measure(INPUT_INCLINATION);
    reading r = {0, remarks(&v), v.mean};
    double g = (v.part - INCLINATION_LEVEL_PART) / INCLINATION_G_PART;

    /* Beyond a full g and a bit no angle does that: the wire is off (a resistor pulls it
       down) or shorted. */
    if (g < -1.1 || g > 1.1)
        return no_signal(&v);
    if (g > 1)
        g = 1;
    if (g < -1)
        g = -1;
    r.value = clamp(asin(g) * (180e6 / M_PI), -INCLINATION_RANGE_MICRODEGREES,
                    INCLINATION_RANGE_MICRODEGREES, &r.status);
    return r;
}

reading distance_read(void)
{
    voltage v = measure(INPUT_DISTANCE);
    reading r = {0, remarks(&v), v.mean};

    if (v.part < DISTANCE_NO_ECHO_PART)
        return no_signal(&v);
    r.value = clamp(v.part * (DISTANCE_WHOLE_MM * 1000.0), DISTANCE_MIN_MICROMETRES,
                    DISTANCE_MAX_MICROMETRES, &r.status);
    return r;
}

int16_t temperature_read(void)
{
    voltage v = measure(INPUT_TEMPERATURE);
    double degrees = (v.part * TEMPERATURE_SUPPLY_MV - TEMPERATURE_ZERO_MV) / TEMPERATURE_DEGREE_MV;

    /* The thermometer works from -40 to 125; outside it is not there. */
    if (degrees < -40 || degrees > 125)
        return SW_NO_TEMPERATURE;
    return (int16_t)lround(degrees * 100);
}

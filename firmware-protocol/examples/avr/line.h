/*
 * The serial line: 115200 baud, 8 data bits, no parity, 1 stop bit; buffered both ways.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#ifndef LINE_H
#define LINE_H

#include <stdint.h>

void line_start(void);
int16_t line_take(void);                                /* a byte, or -1 where none waits */
uint8_t line_room(void);                                /* bytes that can be sent at once */
void line_send(const uint8_t *bytes, uint8_t length);   /* waits for room */
uint16_t line_lost(void);                               /* bytes lost since last asked */

#endif

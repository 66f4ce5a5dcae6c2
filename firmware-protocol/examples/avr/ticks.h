/*
 * Time since power-up in microseconds, in 64 bits: it never wraps.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#ifndef TICKS_H
#define TICKS_H

#include <stdint.h>

void ticks_start(void);
uint64_t ticks_us(void);

#endif

/*
 * Time from timer 1; timer 0 wakes the device every millisecond.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include "ticks.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

/* 2^32 overflows of 32.768 ms are 4.4 years: as long as this device stays plugged in. */
static volatile uint32_t overflows;

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

/* Only there to end a sleep. */
EMPTY_INTERRUPT(TIMER0_COMPA_vect)

void ticks_start(void)
{
    TCCR1A = 0;
    TCCR1B = _BV(CS11); /* 16 MHz / 8: half a microsecond */
    TIMSK1 = _BV(TOIE1);

    TCCR0A = _BV(WGM01); /* counts to OCR0A */
    OCR0A = 249;         /* 16 MHz / 64 / 250 = 1 kHz */
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
}

uint64_t ticks_us(void)
{
    uint32_t high = 0;
    uint16_t low = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        low = TCNT1;
        high = overflows;
        /* An overflow that has come and not been counted yet. */
        if ((TIFR1 & _BV(TOV1)) && low < 0x8000)
            high++;
    }
    return (((uint64_t)high << 16) | low) / 2;
}

/*
 * The serial line, by interrupts.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include "line.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

/* Powers of two, so that places wrap with a mask. A measurement takes 7 ms, in which 80
   bytes can come. */
#define IN_SIZE 128
#define OUT_SIZE 128

static volatile uint8_t in[IN_SIZE], in_head, in_tail;
static volatile uint8_t out[OUT_SIZE], out_head, out_tail;
static volatile uint16_t lost;

ISR(USART_RX_vect)
{
    uint8_t wrong = UCSR0A & (_BV(FE0) | _BV(DOR0));
    uint8_t byte = UDR0;
    uint8_t next = (in_head + 1) & (IN_SIZE - 1);
    if (wrong & _BV(DOR0))
        lost++;
    if (next == in_tail) {
        lost++;
        return;
    }
    /* A byte with a broken stop bit is taken all the same: the check will tell. */
    in[in_head] = byte;
    in_head = next;
}

ISR(USART_UDRE_vect)
{
    if (out_head == out_tail) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
        return;
    }
    UDR0 = out[out_tail];
    out_tail = (out_tail + 1) & (OUT_SIZE - 1);
}

void line_start(void)
{
    /* Double speed, 16 MHz / 8 / (16 + 1) = 117647 baud: 2.1 % fast, within what the other
       end of an 8N1 line stands (common practice, no source: 4 % for both together). */
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

int16_t line_take(void)
{
    uint8_t byte;
    if (in_tail == in_head)
        return -1;
    byte = in[in_tail];
    in_tail = (in_tail + 1) & (IN_SIZE - 1);
    return byte;
}

uint8_t line_room(void)
{
    return (uint8_t)(out_tail - out_head - 1) & (OUT_SIZE - 1);
}

void line_send(const uint8_t *bytes, uint8_t length)
{
    while (length--) {
        while (line_room() == 0)
            ;
        out[out_head] = *bytes++;
        out_head = (out_head + 1) & (OUT_SIZE - 1);
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            UCSR0B |= _BV(UDRIE0);
        }
    }
}

uint16_t line_lost(void)
{
    uint16_t count = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        count = lost;
        lost = 0;
    }
    return count;
}

/*
 * A sensor for stillheight on an ATmega328P: an inclinometer (channel 0) and a distance
 * module (channel 1), by the page SPEC.md. Build and wiring: README.md.
 *
 * In: requests on the serial line, voltages. Out: identities, samples, answers, faults.
 * Refused: requests for channels or rates that it does not have, by an answer; bad frames,
 * by a fault at most once a second.
 *
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "device-number.h"
#include "elements.h"
#include "line.h"
#include "stillheight_wire.h"
#include "ticks.h"

#define CHANNELS 2
#define FIRST_RATE_MILLIHERTZ 10000UL
/* Two measurements take 14 ms of the 20. */
#define FASTEST_MILLIHERTZ 50000UL
#define SECOND_US 1000000UL
#define LAMP PB5
#define LAMP_HALF_US 100000UL

typedef struct {
    uint32_t rate_millihertz; /* 0 = sends none */
    uint32_t period_us;
    uint64_t due_us;
    uint32_t sequence;
    uint64_t fault_due_us;
} channel;

static channel channels[CHANNELS];
static int16_t temperature = SW_NO_TEMPERATURE;
static uint64_t temperature_due_us, report_due_us, lamp_until_us;
static uint8_t why_restarted __attribute__((section(".noinit")));

/* The watchdog stays on over its own reset, so it is stopped before anything else. */
void stop_watchdog(void) __attribute__((naked, used, section(".init3")));
void stop_watchdog(void)
{
    why_restarted = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static void send(const sw_message *message)
{
    uint8_t frame[SW_MAX_FRAME];
    line_send(frame, sw_encode(message, frame, sizeof frame));
}

static void send_identity(uint8_t number)
{
    sw_message m;
    sw_identity *i = &m.as.identity;

    m.kind = SW_KIND_IDENTITY;
    i->channel = number;
    i->channels = CHANNELS;
    i->device = DEVICE_NUMBER;
    if (number == 0) {
        i->quantity = SW_QUANTITY_INCLINATION;
        i->unit = SW_UNIT_MICRODEGREE;
        i->resolution = INCLINATION_RESOLUTION_MICRODEGREES;
        i->range_min = -INCLINATION_RANGE_MICRODEGREES;
        i->range_max = INCLINATION_RANGE_MICRODEGREES;
    } else {
        i->quantity = SW_QUANTITY_DISTANCE;
        i->unit = SW_UNIT_MICROMETRE;
        i->resolution = DISTANCE_RESOLUTION_MICROMETRES;
        i->range_min = DISTANCE_MIN_MICROMETRES;
        i->range_max = DISTANCE_MAX_MICROMETRES;
    }
    i->firmware_major = 1;
    i->firmware_minor = 0;
    i->firmware_patch = 0;
    i->rate_millihertz = channels[number].rate_millihertz;
    i->fastest_millihertz = FASTEST_MILLIHERTZ;
    i->abilities = SW_ABILITY_SET_RATE | SW_ABILITY_BLINK;
    if (temperature != SW_NO_TEMPERATURE)
        i->abilities |= SW_ABILITY_TEMPERATURE;
    send(&m);
}

static void send_fault(uint8_t number, uint16_t code, uint32_t detail)
{
    sw_message m;
    m.kind = SW_KIND_FAULT;
    m.as.fault.channel = number;
    m.as.fault.code = code;
    m.as.fault.detail = detail;
    m.as.fault.time_us = ticks_us();
    send(&m);
}

static void send_done(uint8_t tag, uint8_t request, uint32_t taken)
{
    sw_message m;
    m.kind = SW_KIND_DONE;
    m.as.done.tag = tag;
    m.as.done.request = request;
    m.as.done.taken = taken;
    send(&m);
}

static void send_refused(uint8_t tag, uint8_t request, uint8_t reason)
{
    sw_message m;
    m.kind = SW_KIND_REFUSED;
    m.as.refused.tag = tag;
    m.as.refused.request = request;
    m.as.refused.reason = reason;
    send(&m);
}

/* ---- requests ---- */

/* The period is whole microseconds; what the rate then really is comes back. */
static uint32_t set_rate(channel *c, uint32_t millihertz)
{
    uint64_t now = ticks_us();
    if (millihertz == 0) {
        c->rate_millihertz = 0;
        return 0;
    }
    c->period_us = (1000000000UL + millihertz / 2) / millihertz;
    c->rate_millihertz = (1000000000UL + c->period_us / 2) / c->period_us;
    c->due_us = now + c->period_us;
    return c->rate_millihertz;
}

static void answer_set_rate(const sw_set_rate *asked)
{
    uint32_t taken = 0;
    uint8_t number;
    if (asked->channel != SW_WHOLE_DEVICE && asked->channel >= CHANNELS) {
        send_refused(asked->tag, SW_KIND_SET_RATE, SW_REFUSAL_NO_SUCH_CHANNEL);
    } else if (asked->rate_millihertz > FASTEST_MILLIHERTZ) {
        send_refused(asked->tag, SW_KIND_SET_RATE, SW_REFUSAL_TOO_BIG);
    } else {
        for (number = 0; number < CHANNELS; number++) {
            if (asked->channel == SW_WHOLE_DEVICE || asked->channel == number)
                taken = set_rate(&channels[number], asked->rate_millihertz);
        }
        send_done(asked->tag, SW_KIND_SET_RATE, taken);
    }
}

static void answer_blink(const sw_blink *asked)
{
    if (asked->channel != SW_WHOLE_DEVICE && asked->channel >= CHANNELS) {
        send_refused(asked->tag, SW_KIND_BLINK, SW_REFUSAL_NO_SUCH_CHANNEL);
        return;
    }
    /* One lamp for both channels. */
    lamp_until_us = ticks_us() + asked->tenths * 100000ULL;
    send_done(asked->tag, SW_KIND_BLINK, asked->tenths);
}

static void answer(const sw_message *asked)
{
    uint8_t number;
    switch (asked->kind) {
    case SW_KIND_WHO:
        for (number = 0; number < CHANNELS; number++)
            send_identity(number);
        send_done(asked->as.who.tag, SW_KIND_WHO, CHANNELS);
        break;
    case SW_KIND_SET_RATE:
        answer_set_rate(&asked->as.set_rate);
        break;
    case SW_KIND_BLINK:
        answer_blink(&asked->as.blink);
        break;
    default:
        break; /* an echo of our own words */
    }
}

static void listen(void)
{
    static sw_accumulator heard;
    static sw_message message;
    static uint8_t rejected; /* the last reason not yet reported */
    static uint16_t lost;
    int16_t byte;

    while ((byte = line_take()) >= 0) {
        int8_t what = sw_push(&heard, (uint8_t)byte, &message, 0);
        if (what == SW_MESSAGE)
            answer(&message);
        else if (what != SW_NOTHING_YET)
            rejected = (uint8_t)what;
    }
    lost += line_lost();
    if ((lost || rejected) && ticks_us() >= report_due_us) {
        if (lost)
            send_fault(SW_WHOLE_DEVICE, SW_FAULT_BYTES_LOST, lost);
        if (rejected)
            send_fault(SW_WHOLE_DEVICE, SW_FAULT_FRAME_REJECTED, rejected);
        lost = 0;
        rejected = 0;
        report_due_us = ticks_us() + SECOND_US;
    }
}

/* ---- measuring ---- */

static void sample(uint8_t number)
{
    channel *c = &channels[number];
    uint64_t began = ticks_us();
    sw_message m;
    reading r;

    if (c->rate_millihertz == 0 || began < c->due_us)
        return;
    r = number == 0 ? inclination_read() : distance_read();

    c->due_us += c->period_us;
    if (c->due_us <= began) {
        /* A whole period behind: skip to the next and say so. */
        r.status |= SW_STATUS_LATE;
        c->due_us = began + c->period_us;
    }

    m.kind = SW_KIND_SAMPLE;
    m.as.sample.channel = number;
    m.as.sample.sequence = c->sequence++;
    m.as.sample.time_us = began + (ticks_us() - began) / 2;
    m.as.sample.value = r.value;
    m.as.sample.status = r.status;
    m.as.sample.temperature = temperature;
    /* A host that is not listening must not stop the measuring: the gap in the sequence
       tells it. */
    if (line_room() >= SW_BODY_SAMPLE + 7)
        send(&m);

    if ((r.status & SW_STATUS_NO_SIGNAL) && began >= c->fault_due_us) {
        send_fault(number, SW_FAULT_ELEMENT_SILENT, r.raw);
        c->fault_due_us = began + 10 * SECOND_US;
    }
}

static void show_lamp(void)
{
    uint64_t now = ticks_us();
    uint8_t on = now < lamp_until_us && ((lamp_until_us - now) / LAMP_HALF_US) % 2 == 0;
    if (on)
        PORTB |= _BV(LAMP);
    else
        PORTB &= (uint8_t)~_BV(LAMP);
}

int main(void)
{
    static const uint8_t zero = 0;
    uint8_t number;

    DDRB |= _BV(LAMP);
    line_start();
    ticks_start();
    elements_start();
    sei();
    wdt_enable(WDTO_2S);
    set_sleep_mode(SLEEP_MODE_IDLE);

    temperature = temperature_read();
    for (number = 0; number < CHANNELS; number++)
        set_rate(&channels[number], FIRST_RATE_MILLIHERTZ);
    /* Half a period apart, so that the two do not wait for each other. */
    channels[1].due_us += channels[1].period_us / 2;

    line_send(&zero, 1);
    for (number = 0; number < CHANNELS; number++)
        send_identity(number);
    if (why_restarted & _BV(WDRF))
        send_fault(SW_WHOLE_DEVICE, SW_FAULT_RESTARTED, why_restarted);

    for (;;) {
        wdt_reset();
        listen();
        for (number = 0; number < CHANNELS; number++)
            sample(number);
        if (ticks_us() >= temperature_due_us) {
            temperature = temperature_read();
            temperature_due_us = ticks_us() + SECOND_US;
        }
        show_lamp();
        sleep_mode();
    }
}

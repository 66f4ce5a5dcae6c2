/*
 * A driver for the tests: reads lines, answers each with one line.
 *
 *   d HEX        feeds the bytes to a fresh accumulator; prints what comes out, or (nothing)
 *   e MESSAGE    prints the frame of a message in the page's notation, or refused
 *
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "stillheight_wire.h"

static const char *const reasons[] = {
    "", "too-long", "too-short", "bad-check", "bad-cobs",
    "unknown-version", "unknown-kind", "wrong-length", "bad-field",
};

static void print_message(const sw_message *m)
{
    switch (m->kind) {
    case SW_KIND_IDENTITY: {
        const sw_identity *i = &m->as.identity;
        printf("identity channel=%u channels=%u device=0x%016" PRIx64 " quantity=%u unit=%u "
               "resolution=%" PRIu32 " range=%" PRId32 "..%" PRId32 " firmware=%u.%u.%u "
               "rate_millihertz=%" PRIu32 " fastest_millihertz=%" PRIu32 " abilities=0x%04x",
               i->channel, i->channels, i->device, i->quantity, i->unit, i->resolution,
               i->range_min, i->range_max, i->firmware_major, i->firmware_minor,
               i->firmware_patch, i->rate_millihertz, i->fastest_millihertz, i->abilities);
        break;
    }
    case SW_KIND_SAMPLE: {
        const sw_sample *s = &m->as.sample;
        printf("sample channel=%u sequence=%" PRIu32 " time_us=%" PRIu64 " value=%" PRId32
               " status=0x%04x temperature=",
               s->channel, s->sequence, s->time_us, s->value, s->status);
        if (s->temperature == SW_NO_TEMPERATURE)
            printf("none");
        else
            printf("%d", s->temperature);
        break;
    }
    case SW_KIND_FAULT:
        printf("fault channel=%u code=%u detail=%" PRIu32 " time_us=%" PRIu64,
               m->as.fault.channel, m->as.fault.code, m->as.fault.detail, m->as.fault.time_us);
        break;
    case SW_KIND_DONE:
        printf("done tag=%u request=0x%02x taken=%" PRIu32, m->as.done.tag, m->as.done.request,
               m->as.done.taken);
        break;
    case SW_KIND_REFUSED:
        printf("refused tag=%u request=0x%02x reason=%u", m->as.refused.tag,
               m->as.refused.request, m->as.refused.reason);
        break;
    case SW_KIND_WHO:
        printf("who tag=%u", m->as.who.tag);
        break;
    case SW_KIND_SET_RATE:
        printf("set-rate tag=%u channel=%u rate_millihertz=%" PRIu32, m->as.set_rate.tag,
               m->as.set_rate.channel, m->as.set_rate.rate_millihertz);
        break;
    case SW_KIND_BLINK:
        printf("blink tag=%u channel=%u tenths=%u", m->as.blink.tag, m->as.blink.channel,
               m->as.blink.tenths);
        break;
    }
}

static void answer_bytes(const char *hex)
{
    static sw_accumulator from;
    const char *between = "";
    unsigned byte;
    int used;

    sw_forget(&from);
    while (sscanf(hex, "%2x%n", &byte, &used) == 1) {
        sw_message message;
        uint32_t bytes = 0;
        int8_t what = sw_push(&from, (uint8_t)byte, &message, &bytes);
        hex += used;
        if (what == SW_NOTHING_YET)
            continue;
        printf("%s", between);
        between = "; ";
        if (what == SW_MESSAGE)
            print_message(&message);
        else
            printf("rejected %s bytes=%" PRIu32, reasons[what], bytes);
    }
    printf("%s\n", *between ? "" : "(nothing)");
}

static int read_message(const char *text, sw_message *m)
{
    sw_identity i;
    sw_sample s;
    sw_fault f;
    sw_done d;
    sw_refused r;
    sw_who w;
    sw_set_rate t;
    sw_blink b;
    char temperature[16];

    memset(m, 0, sizeof *m);
    if (sscanf(text, "identity channel=%" SCNu8 " channels=%" SCNu8 " device=0x%" SCNx64
               " quantity=%" SCNu8 " unit=%" SCNu8 " resolution=%" SCNu32 " range=%" SCNd32
               "..%" SCNd32 " firmware=%" SCNu8 ".%" SCNu8 ".%" SCNu16 " rate_millihertz=%" SCNu32
               " fastest_millihertz=%" SCNu32 " abilities=0x%" SCNx16,
               &i.channel, &i.channels, &i.device, &i.quantity, &i.unit, &i.resolution,
               &i.range_min, &i.range_max, &i.firmware_major, &i.firmware_minor,
               &i.firmware_patch, &i.rate_millihertz, &i.fastest_millihertz, &i.abilities) == 14) {
        m->kind = SW_KIND_IDENTITY;
        m->as.identity = i;
    } else if (sscanf(text, "sample channel=%" SCNu8 " sequence=%" SCNu32 " time_us=%" SCNu64
                      " value=%" SCNd32 " status=0x%" SCNx16 " temperature=%15s",
                      &s.channel, &s.sequence, &s.time_us, &s.value, &s.status, temperature) == 6) {
        int none = strcmp(temperature, "none") == 0;
        s.temperature = none ? SW_NO_TEMPERATURE : (int16_t)atoi(temperature);
        m->kind = SW_KIND_SAMPLE;
        m->as.sample = s;
    } else if (sscanf(text, "fault channel=%" SCNu8 " code=%" SCNu16 " detail=%" SCNu32
                      " time_us=%" SCNu64, &f.channel, &f.code, &f.detail, &f.time_us) == 4) {
        m->kind = SW_KIND_FAULT;
        m->as.fault = f;
    } else if (sscanf(text, "done tag=%" SCNu8 " request=0x%" SCNx8 " taken=%" SCNu32,
                      &d.tag, &d.request, &d.taken) == 3) {
        m->kind = SW_KIND_DONE;
        m->as.done = d;
    } else if (sscanf(text, "refused tag=%" SCNu8 " request=0x%" SCNx8 " reason=%" SCNu8,
                      &r.tag, &r.request, &r.reason) == 3) {
        m->kind = SW_KIND_REFUSED;
        m->as.refused = r;
    } else if (sscanf(text, "who tag=%" SCNu8, &w.tag) == 1) {
        m->kind = SW_KIND_WHO;
        m->as.who = w;
    } else if (sscanf(text, "set-rate tag=%" SCNu8 " channel=%" SCNu8 " rate_millihertz=%" SCNu32,
                      &t.tag, &t.channel, &t.rate_millihertz) == 3) {
        m->kind = SW_KIND_SET_RATE;
        m->as.set_rate = t;
    } else if (sscanf(text, "blink tag=%" SCNu8 " channel=%" SCNu8 " tenths=%" SCNu16,
                      &b.tag, &b.channel, &b.tenths) == 3) {
        m->kind = SW_KIND_BLINK;
        m->as.blink = b;
    } else {
        return 0;
    }
    return 1;
}

static void answer_message(const char *text)
{
    sw_message message;
    uint8_t frame[SW_MAX_FRAME];
    uint8_t length, room;

    if (!read_message(text, &message)) {
        printf("not understood\n");
        return;
    }
    length = sw_encode(&message, frame, sizeof frame);
    /* One byte too little room must always be refused. */
    for (room = 0; room < length; room++) {
        if (sw_encode(&message, frame, room) != 0) {
            printf("wrote past its room\n");
            return;
        }
    }
    length = sw_encode(&message, frame, sizeof frame);
    if (length == 0)
        printf("refused");
    for (room = 0; room < length; room++)
        printf("%s%02X", room ? " " : "", frame[room]);
    printf("\n");
}

int main(void)
{
    static char line[8192];
    while (fgets(line, sizeof line, stdin)) {
        line[strcspn(line, "\r\n")] = '\0';
        if (line[0] == 'd' && line[1] == ' ')
            answer_bytes(line + 2);
        else if (line[0] == 'e' && line[1] == ' ')
            answer_message(line + 2);
        else
            printf("not understood\n");
    }
    return 0;
}

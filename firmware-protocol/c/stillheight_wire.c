/*
 * The wire protocol of stillheight's sensors in C99, without allocation: see the header.
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#include "stillheight_wire.h"

#define LONGEST_CONTENT (SW_MAX_STUFFED - 1)

/* The remainder of each possible top half-byte: 32 bytes of table, two steps a byte. */
static const uint16_t crc_of_half[16] = {
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50a5, 0x60c6, 0x70e7,
    0x8108, 0x9129, 0xa14a, 0xb16b, 0xc18c, 0xd1ad, 0xe1ce, 0xf1ef,
};

uint16_t sw_crc(const uint8_t *bytes, uint8_t length)
{
    uint16_t crc = 0xffff;
    while (length--) {
        uint8_t byte = *bytes++;
        crc = (uint16_t)((crc << 4) ^ crc_of_half[(uint8_t)(crc >> 12) ^ (byte >> 4)]);
        crc = (uint16_t)((crc << 4) ^ crc_of_half[(uint8_t)(crc >> 12) ^ (byte & 15)]);
    }
    return crc;
}

static void spread(uint16_t crc, uint8_t out[SW_CHECK_LENGTH])
{
    out[0] = (uint8_t)(0x80 | (crc >> 14));
    out[1] = (uint8_t)(0x80 | ((crc >> 7) & 0x7f));
    out[2] = (uint8_t)(0x80 | (crc & 0x7f));
}

/* ---- fields: little endian, one after the other ---- */

typedef struct {
    uint8_t *at;
} writer;

static void put(writer *to, uint64_t number, uint8_t bytes)
{
    while (bytes--) {
        *to->at++ = (uint8_t)number;
        number >>= 8;
    }
}

static void put32(writer *to, uint32_t number)
{
    put(to, number, 4);
}

typedef struct {
    const uint8_t *at;
} reader;

static uint8_t get8(reader *from)
{
    return *from->at++;
}

static uint16_t get16(reader *from)
{
    uint16_t low = get8(from);
    return (uint16_t)(low | ((uint16_t)get8(from) << 8));
}

static uint32_t get32(reader *from)
{
    uint32_t low = get16(from);
    return low | ((uint32_t)get16(from) << 16);
}

static uint64_t get64(reader *from)
{
    uint64_t low = get32(from);
    return low | ((uint64_t)get32(from) << 32);
}

/* Two's complement without relying on what a cast of a big number does. */
static int32_t signed32(uint32_t number)
{
    return number <= INT32_MAX ? (int32_t)number : -(int32_t)(UINT32_MAX - number) - 1;
}

static int16_t signed16(uint16_t number)
{
    return (int16_t)(number <= INT16_MAX ? (int32_t)number : (int32_t)number - 65536);
}

/* ---- what a message may hold ---- */

static uint8_t body_length(uint8_t kind)
{
    switch (kind) {
    case SW_KIND_IDENTITY:
        return SW_BODY_IDENTITY;
    case SW_KIND_SAMPLE:
        return SW_BODY_SAMPLE;
    case SW_KIND_FAULT:
        return SW_BODY_FAULT;
    case SW_KIND_DONE:
        return SW_BODY_DONE;
    case SW_KIND_REFUSED:
        return SW_BODY_REFUSED;
    case SW_KIND_WHO:
        return SW_BODY_WHO;
    case SW_KIND_SET_RATE:
        return SW_BODY_SET_RATE;
    case SW_KIND_BLINK:
        return SW_BODY_BLINK;
    default:
        return 0;
    }
}

static uint8_t unit_fits(uint8_t quantity, uint8_t unit)
{
    uint8_t known_quantity = quantity >= SW_QUANTITY_INCLINATION && quantity <= SW_QUANTITY_TEMPERATURE;
    uint8_t known_unit = unit >= SW_UNIT_MICRODEGREE && unit <= SW_UNIT_CENTIDEGREE_CELSIUS;
    /* The own unit of each known quantity has the quantity's number. */
    return !known_quantity || !known_unit || quantity == unit;
}

static uint8_t fields_can_be(const sw_message *m)
{
    switch (m->kind) {
    case SW_KIND_IDENTITY: {
        const sw_identity *i = &m->as.identity;
        return i->channels != 0 && i->channels != SW_WHOLE_DEVICE && i->channel < i->channels
            && i->device != 0 && i->device != UINT64_MAX && unit_fits(i->quantity, i->unit)
            && i->range_min <= i->range_max;
    }
    case SW_KIND_SAMPLE: {
        int16_t temperature = m->as.sample.temperature;
        return m->as.sample.channel < SW_WHOLE_DEVICE - 1
            && (temperature == SW_NO_TEMPERATURE || temperature >= SW_COLDEST_CENTIDEGREES);
    }
    case SW_KIND_FAULT:
        return m->as.fault.channel != SW_WHOLE_DEVICE - 1 && m->as.fault.code != 0;
    case SW_KIND_DONE:
        return (m->as.done.request & 0x80) != 0;
    case SW_KIND_REFUSED:
        return (m->as.refused.request & 0x80) != 0 && m->as.refused.reason != 0;
    case SW_KIND_SET_RATE:
        return m->as.set_rate.channel != SW_WHOLE_DEVICE - 1;
    case SW_KIND_BLINK:
        return m->as.blink.channel != SW_WHOLE_DEVICE - 1;
    default:
        return m->kind == SW_KIND_WHO;
    }
}

/* ---- bodies ---- */

static void write_body(const sw_message *m, writer *to)
{
    switch (m->kind) {
    case SW_KIND_IDENTITY: {
        const sw_identity *i = &m->as.identity;
        put(to, i->channel, 1);
        put(to, i->channels, 1);
        put(to, i->device, 8);
        put(to, i->quantity, 1);
        put(to, i->unit, 1);
        put32(to, i->resolution);
        put32(to, (uint32_t)i->range_min);
        put32(to, (uint32_t)i->range_max);
        put(to, i->firmware_major, 1);
        put(to, i->firmware_minor, 1);
        put(to, i->firmware_patch, 2);
        put32(to, i->rate_millihertz);
        put32(to, i->fastest_millihertz);
        put(to, i->abilities, 2);
        break;
    }
    case SW_KIND_SAMPLE: {
        const sw_sample *s = &m->as.sample;
        put(to, s->channel, 1);
        put32(to, s->sequence);
        put(to, s->time_us, 8);
        put32(to, (uint32_t)s->value);
        put(to, s->status, 2);
        put(to, (uint16_t)s->temperature, 2);
        break;
    }
    case SW_KIND_FAULT:
        put(to, m->as.fault.channel, 1);
        put(to, m->as.fault.code, 2);
        put32(to, m->as.fault.detail);
        put(to, m->as.fault.time_us, 8);
        break;
    case SW_KIND_DONE:
        put(to, m->as.done.tag, 1);
        put(to, m->as.done.request, 1);
        put32(to, m->as.done.taken);
        break;
    case SW_KIND_REFUSED:
        put(to, m->as.refused.tag, 1);
        put(to, m->as.refused.request, 1);
        put(to, m->as.refused.reason, 1);
        break;
    case SW_KIND_WHO:
        put(to, m->as.who.tag, 1);
        break;
    case SW_KIND_SET_RATE:
        put(to, m->as.set_rate.tag, 1);
        put(to, m->as.set_rate.channel, 1);
        put32(to, m->as.set_rate.rate_millihertz);
        break;
    case SW_KIND_BLINK:
        put(to, m->as.blink.tag, 1);
        put(to, m->as.blink.channel, 1);
        put(to, m->as.blink.tenths, 2);
        break;
    }
}

static void read_body(reader *from, sw_message *m)
{
    switch (m->kind) {
    case SW_KIND_IDENTITY: {
        sw_identity *i = &m->as.identity;
        i->channel = get8(from);
        i->channels = get8(from);
        i->device = get64(from);
        i->quantity = get8(from);
        i->unit = get8(from);
        i->resolution = get32(from);
        i->range_min = signed32(get32(from));
        i->range_max = signed32(get32(from));
        i->firmware_major = get8(from);
        i->firmware_minor = get8(from);
        i->firmware_patch = get16(from);
        i->rate_millihertz = get32(from);
        i->fastest_millihertz = get32(from);
        i->abilities = get16(from);
        break;
    }
    case SW_KIND_SAMPLE: {
        sw_sample *s = &m->as.sample;
        s->channel = get8(from);
        s->sequence = get32(from);
        s->time_us = get64(from);
        s->value = signed32(get32(from));
        s->status = get16(from);
        s->temperature = signed16(get16(from));
        break;
    }
    case SW_KIND_FAULT:
        m->as.fault.channel = get8(from);
        m->as.fault.code = get16(from);
        m->as.fault.detail = get32(from);
        m->as.fault.time_us = get64(from);
        break;
    case SW_KIND_DONE:
        m->as.done.tag = get8(from);
        m->as.done.request = get8(from);
        m->as.done.taken = get32(from);
        break;
    case SW_KIND_REFUSED:
        m->as.refused.tag = get8(from);
        m->as.refused.request = get8(from);
        m->as.refused.reason = get8(from);
        break;
    case SW_KIND_WHO:
        m->as.who.tag = get8(from);
        break;
    case SW_KIND_SET_RATE:
        m->as.set_rate.tag = get8(from);
        m->as.set_rate.channel = get8(from);
        m->as.set_rate.rate_millihertz = get32(from);
        break;
    case SW_KIND_BLINK:
        m->as.blink.tag = get8(from);
        m->as.blink.channel = get8(from);
        m->as.blink.tenths = get16(from);
        break;
    }
}

/* ---- frames ---- */

uint8_t sw_encode(const sw_message *message, uint8_t *out, uint8_t room)
{
    uint8_t body = body_length(message->kind);
    /* Code byte, version and kind, body, check, zero. */
    uint8_t stuffed = (uint8_t)(1 + 2 + body + SW_CHECK_LENGTH);
    uint8_t covered = (uint8_t)(stuffed - SW_CHECK_LENGTH);
    uint8_t code_at = 0;
    uint8_t place;
    writer to;

    if (body == 0 || room < stuffed + 1 || !fields_can_be(message))
        return 0;
    to.at = out + 1;
    put(&to, SW_VERSION, 1);
    put(&to, message->kind, 1);
    write_body(message, &to);

    /* Each zero becomes the code of the part behind it; the check holds no zero. */
    for (place = 1; place < covered; place++) {
        if (out[place] == 0) {
            out[code_at] = (uint8_t)(place - code_at);
            code_at = place;
        }
    }
    out[code_at] = (uint8_t)(stuffed - code_at);

    spread(sw_crc(out, covered), out + covered);
    out[stuffed] = 0;
    return (uint8_t)(stuffed + 1);
}

int8_t sw_decode(const uint8_t *stuffed, uint32_t length, sw_message *message)
{
    uint8_t content[LONGEST_CONTENT];
    uint8_t check[SW_CHECK_LENGTH];
    uint8_t covered, next, place, body;
    reader from;

    if (length > SW_MAX_STUFFED)
        return SW_TOO_LONG;
    if (length < SW_MIN_STUFFED)
        return SW_TOO_SHORT;
    covered = (uint8_t)(length - SW_CHECK_LENGTH);
    spread(sw_crc(stuffed, covered), check);
    for (place = 0; place < SW_CHECK_LENGTH; place++) {
        if (stuffed[covered + place] != check[place])
            return SW_BAD_CHECK;
    }

    next = stuffed[0];
    for (place = 1; place < covered; place++) {
        if (place == next) {
            uint16_t jump = (uint16_t)next + stuffed[place];
            if (jump > length)
                return SW_BAD_COBS;
            content[place - 1] = 0;
            next = (uint8_t)jump;
        } else {
            content[place - 1] = stuffed[place];
        }
    }
    if (next != length)
        return SW_BAD_COBS;

    if (content[0] != SW_VERSION)
        return SW_UNKNOWN_VERSION;
    message->kind = content[1];
    body = body_length(message->kind);
    if (body == 0)
        return SW_UNKNOWN_KIND;
    if (covered != 1 + 2 + body)
        return SW_WRONG_LENGTH;
    from.at = content + 2;
    read_body(&from, message);
    return fields_can_be(message) ? SW_MESSAGE : SW_BAD_FIELD;
}

void sw_forget(sw_accumulator *from)
{
    from->pending = 0;
}

int8_t sw_push(sw_accumulator *into, uint8_t byte, sw_message *message, uint32_t *bytes)
{
    uint32_t length = into->pending;
    if (byte != 0) {
        if (length < SW_MAX_STUFFED)
            into->held[length] = byte;
        if (length < UINT32_MAX)
            into->pending = length + 1;
        return SW_NOTHING_YET;
    }
    into->pending = 0;
    if (length == 0)
        return SW_NOTHING_YET;
    if (bytes)
        *bytes = length;
    return sw_decode(into->held, length, message);
}

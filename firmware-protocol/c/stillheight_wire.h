/*
 * The wire protocol of stillheight's sensors in C99, without allocation.
 * The protocol itself is described in ../SPEC.md; section numbers below are that page's.
 *
 * In: bytes from the line, one at a time (sw_push), or a message to send (sw_encode).
 * Out: messages with every field checked, or a whole frame.
 * Refused: every bad frame, with the number of its reason; fields that cannot be.
 *
 * SPDX-License-Identifier: MIT OR Apache-2.0
 */
#ifndef STILLHEIGHT_WIRE_H
#define STILLHEIGHT_WIRE_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Section 2: version and lengths in bytes. */
#define SW_VERSION 1
#define SW_MAX_FRAME 63
#define SW_MAX_STUFFED 62
#define SW_MIN_STUFFED 6
#define SW_CHECK_LENGTH 3

/* Section 5: kinds. */
#define SW_KIND_IDENTITY 0x01
#define SW_KIND_SAMPLE 0x02
#define SW_KIND_FAULT 0x03
#define SW_KIND_DONE 0x04
#define SW_KIND_REFUSED 0x05
#define SW_KIND_WHO 0x81
#define SW_KIND_SET_RATE 0x82
#define SW_KIND_BLINK 0x83

/* The length of each body in bytes. */
#define SW_BODY_IDENTITY 38
#define SW_BODY_SAMPLE 21
#define SW_BODY_FAULT 15
#define SW_BODY_DONE 6
#define SW_BODY_REFUSED 3
#define SW_BODY_WHO 1
#define SW_BODY_SET_RATE 6
#define SW_BODY_BLINK 4

/* A channel that means the whole device, in fault, set-rate and blink. */
#define SW_WHOLE_DEVICE 255

/* Section 5.1: quantities, units, abilities. */
#define SW_QUANTITY_OTHER 0
#define SW_QUANTITY_INCLINATION 1
#define SW_QUANTITY_DISTANCE 2
#define SW_QUANTITY_TEMPERATURE 3
#define SW_UNIT_STEP 0
#define SW_UNIT_MICRODEGREE 1
#define SW_UNIT_MICROMETRE 2
#define SW_UNIT_CENTIDEGREE_CELSIUS 3
#define SW_ABILITY_SET_RATE 0x0001
#define SW_ABILITY_BLINK 0x0002
#define SW_ABILITY_TEMPERATURE 0x0004

/* Section 5.2: temperature and status. */
#define SW_NO_TEMPERATURE (-32768)
#define SW_COLDEST_CENTIDEGREES (-27315)
#define SW_STATUS_GOOD 0x0000
#define SW_STATUS_NOT_SETTLED 0x0001
#define SW_STATUS_WEAK_SIGNAL 0x0002
#define SW_STATUS_LOW_SUPPLY 0x0004
#define SW_STATUS_LATE 0x0008
#define SW_STATUS_OVER_RANGE 0x0100
#define SW_STATUS_NO_SIGNAL 0x0200
#define SW_STATUS_SELF_TEST_FAILED 0x0400
#define SW_STATUS_SATURATED 0x0800
#define SW_STATUS_DOUBTFUL 0x00ff
#define SW_STATUS_USELESS 0xff00

/* Section 5.3: faults. */
#define SW_FAULT_ELEMENT_SILENT 1
#define SW_FAULT_ELEMENT_WRONG 2
#define SW_FAULT_SELF_TEST 3
#define SW_FAULT_SUPPLY 4
#define SW_FAULT_SETTINGS_LOST 5
#define SW_FAULT_RESTARTED 6
#define SW_FAULT_BYTES_LOST 7
#define SW_FAULT_FRAME_REJECTED 8
#define SW_FAULT_TEMPERATURE 9

/* Section 5.4: why a request was not carried out. */
#define SW_REFUSAL_CANNOT 1
#define SW_REFUSAL_TOO_SMALL 2
#define SW_REFUSAL_TOO_BIG 3
#define SW_REFUSAL_NO_SUCH_CHANNEL 4
#define SW_REFUSAL_BUSY 5

/* Section 7: what sw_push and sw_decode answer. */
#define SW_NOTHING_YET (-1)
#define SW_MESSAGE 0
#define SW_TOO_LONG 1
#define SW_TOO_SHORT 2
#define SW_BAD_CHECK 3
#define SW_BAD_COBS 4
#define SW_UNKNOWN_VERSION 5
#define SW_UNKNOWN_KIND 6
#define SW_WRONG_LENGTH 7
#define SW_BAD_FIELD 8

typedef struct {
    uint8_t channel;
    uint8_t channels;
    uint64_t device;
    uint8_t quantity;
    uint8_t unit;
    uint32_t resolution;
    int32_t range_min;
    int32_t range_max;
    uint8_t firmware_major;
    uint8_t firmware_minor;
    uint16_t firmware_patch;
    uint32_t rate_millihertz;
    uint32_t fastest_millihertz;
    uint16_t abilities;
} sw_identity;

typedef struct {
    uint8_t channel;
    uint32_t sequence;
    uint64_t time_us;
    int32_t value;
    uint16_t status;
    int16_t temperature; /* hundredths of a degree Celsius, or SW_NO_TEMPERATURE */
} sw_sample;

typedef struct {
    uint8_t channel;
    uint16_t code;
    uint32_t detail;
    uint64_t time_us;
} sw_fault;

typedef struct {
    uint8_t tag;
    uint8_t request;
    uint32_t taken;
} sw_done;

typedef struct {
    uint8_t tag;
    uint8_t request;
    uint8_t reason;
} sw_refused;

typedef struct {
    uint8_t tag;
} sw_who;

typedef struct {
    uint8_t tag;
    uint8_t channel;
    uint32_t rate_millihertz;
} sw_set_rate;

typedef struct {
    uint8_t tag;
    uint8_t channel;
    uint16_t tenths;
} sw_blink;

/* Any message: `kind` says which of the members is meant. */
typedef struct {
    uint8_t kind;
    union {
        sw_identity identity;
        sw_sample sample;
        sw_fault fault;
        sw_done done;
        sw_refused refused;
        sw_who who;
        sw_set_rate set_rate;
        sw_blink blink;
    } as;
} sw_message;

/* Bytes since the last zero; start with all zero bytes, or sw_forget. */
typedef struct {
    uint8_t held[SW_MAX_STUFFED];
    uint32_t pending;
} sw_accumulator;

/* CRC-16/IBM-3740 of `length` bytes. */
uint16_t sw_crc(const uint8_t *bytes, uint8_t length);

/*
 * Writes the whole frame of a message, with the zero byte that ends it, into `out`, which
 * has `room` bytes (SW_MAX_FRAME always do). Answers its length, or 0 where the room is
 * too small or a field cannot be.
 */
uint8_t sw_encode(const sw_message *message, uint8_t *out, uint8_t room);

/*
 * Reads the bytes between two zeros, without them. Answers SW_MESSAGE, or the number of
 * the reason and leaves `message` undefined.
 */
int8_t sw_decode(const uint8_t *stuffed, uint32_t length, sw_message *message);

/* Forgets the bytes since the last zero. */
void sw_forget(sw_accumulator *from);

/*
 * Takes one byte. Answers SW_NOTHING_YET, SW_MESSAGE with `message` filled, or the number
 * of a reason; with the last two, `*bytes` (which may be null) is the frame's length
 * without its zero.
 */
int8_t sw_push(sw_accumulator *into, uint8_t byte, sw_message *message, uint32_t *bytes);

#ifdef __cplusplus
}
#endif

#endif

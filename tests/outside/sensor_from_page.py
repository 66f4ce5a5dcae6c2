"""A sensor of the wire protocol on a pseudo-terminal, written from the page
firmware-protocol/SPEC.md alone, without a look at any of the project's code.

Two channels: 0 an inclination, 1 a distance. Prints the path of the terminal to
open, then what happens ('asked ...', 'rejected ...'), and serves until it is ended
or its standard input ends. A line 'restart' on standard input restarts the device,
'half' sends half a frame and goes on.

    python3 sensor_from_page.py [--device ID] [--tilt DEG] [--gap MM]
"""
import argparse
import os
import pty
import select
import struct
import sys
import time
import tty

VERSION = 1
IDENTITY, SAMPLE, FAULT, DONE, REFUSED = 1, 2, 3, 4, 5
WHO, SET_RATE, BLINK = 0x81, 0x82, 0x83
BODY = {IDENTITY: 38, SAMPLE: 21, FAULT: 15, DONE: 6, REFUSED: 3, WHO: 1, SET_RATE: 6, BLINK: 4}
FASTEST, SLOWEST, FIRST = 50_000, 100, 10_000  # millihertz
REASONS = {
    "too-long": 1, "too-short": 2, "bad-check": 3, "bad-cobs": 4,
    "unknown-version": 5, "unknown-kind": 6, "wrong-length": 7, "bad-field": 8,
}


class Bad(Exception):
    pass


# Section 4.
def crc16(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def check_bytes(data):
    crc = crc16(data)
    return bytes([0x80 + crc // 16384, 0x80 + ((crc // 128) & 0x7F), 0x80 + (crc & 0x7F)])


# Section 3.
def stuff(content):
    out = bytearray()
    for part in content.split(b"\0"):
        out.append(len(part) + 1)
        out += part
    return bytes(out)


def unstuff(data):
    """The content, and where its last code byte stood."""
    parts, at, last = [], 0, 0
    while at < len(data):
        code, last = data[at], at
        if code == 0 or at + code > len(data):
            raise Bad("bad-cobs")
        parts.append(data[at + 1 : at + code])
        at += code
    return b"\0".join(parts), last


# Section 2.
def frame(kind, body):
    assert len(body) == BODY[kind]
    stuffed = stuff(bytes([VERSION, kind]) + body + b"\xff\xff\xff")
    return stuffed[:-3] + check_bytes(stuffed[:-3]) + b"\0"


def unframe(data):
    """Kind and body of the bytes before a zero; section 7 says in which order."""
    if len(data) > 62:
        raise Bad("too-long")
    if len(data) < 6:
        raise Bad("too-short")
    if check_bytes(data[:-3]) != data[-3:]:
        raise Bad("bad-check")
    content, last = unstuff(data)
    if last >= len(data) - 3:
        raise Bad("bad-cobs")
    content = content[:-3]
    if content[0] != VERSION:
        raise Bad("unknown-version")
    if content[1] not in BODY:
        raise Bad("unknown-kind")
    if len(content) - 2 != BODY[content[1]]:
        raise Bad("wrong-length")
    kind, body = content[1], content[2:]
    if kind in (SET_RATE, BLINK) and body[1] == 254:
        raise Bad("bad-field")
    return kind, body


class Sensor:
    def __init__(self, write, device, tilt, gap):
        self.write, self.device = write, device
        self.values = [round(tilt * 1e6), round(gap * 1e3)]
        self.ranges = [(-30_000_000, 30_000_000), (30_000, 4_000_000)]
        self.start()

    def start(self):
        self.began = time.monotonic()
        self.rate = [FIRST, FIRST]
        self.sequence = [0, 0]
        self.due = [self.began, self.began]
        self.heard = bytearray()
        self.length = 0
        self.fault_said = -9.0
        self.write(b"\0")
        self.identify()

    def now_us(self):
        return int((time.monotonic() - self.began) * 1e6)

    def identify(self):
        for channel in (0, 1):
            quantity = unit = channel + 1
            low, high = self.ranges[channel]
            self.write(frame(IDENTITY, struct.pack(
                "<BBQBBIiiBBHIIH", channel, 2, self.device, quantity, unit, 1000,
                low, high, 0, 1, 0, self.rate[channel], FASTEST, 0x0007)))

    def measure(self):
        """Sends what is due; how long until the next."""
        now = time.monotonic()
        for channel in (0, 1):
            if self.rate[channel] and now >= self.due[channel]:
                period = 1000.0 / self.rate[channel]
                self.due[channel] = max(self.due[channel] + period, now)
                self.write(frame(SAMPLE, struct.pack(
                    "<BIQiHh", channel, self.sequence[channel], self.now_us(),
                    self.values[channel], 0, 2150)))
                self.sequence[channel] = (self.sequence[channel] + 1) % 2**32
        waits = [self.due[c] - now for c in (0, 1) if self.rate[c]]
        return max(0.0, min(waits, default=1.0))

    def hear(self, data):
        for byte in data:
            if byte:
                self.length += 1
                if self.length <= 62:
                    self.heard.append(byte)
                continue
            if self.length:
                try:
                    if self.length > 62:
                        raise Bad("too-long")
                    self.answer(*unframe(bytes(self.heard)))
                except Bad as why:
                    self.reject(str(why))
            self.heard.clear()
            self.length = 0

    def reject(self, why):
        print("rejected", why, flush=True)
        now = time.monotonic()
        if now - self.fault_said >= 1.0:
            self.fault_said = now
            self.write(frame(FAULT, struct.pack("<BHIQ", 255, 8, REASONS[why], self.now_us())))

    def answer(self, kind, body):
        if kind < 0x80:
            return  # the wrong way: an echo
        tag = body[0]
        channels = [0, 1]
        if kind in (SET_RATE, BLINK):
            if body[1] not in (0, 1, 255):
                return self.refuse(tag, kind, 4)
            channels = [0, 1] if body[1] == 255 else [body[1]]
        if kind == WHO:
            print("asked who", flush=True)
            self.identify()
            self.done(tag, kind, 2)
        elif kind == SET_RATE:
            (rate,) = struct.unpack_from("<I", body, 2)
            print("asked set-rate", rate, flush=True)
            if rate > FASTEST:
                return self.refuse(tag, kind, 3)
            if 0 < rate < SLOWEST:
                return self.refuse(tag, kind, 2)
            for channel in channels:
                self.rate[channel] = rate
                self.due[channel] = time.monotonic()
            self.done(tag, kind, rate)
        else:
            (tenths,) = struct.unpack_from("<H", body, 2)
            print("asked blink", tenths, flush=True)
            self.done(tag, kind, tenths)

    def done(self, tag, request, taken):
        self.write(frame(DONE, struct.pack("<BBI", tag, request, taken)))

    def refuse(self, tag, request, reason):
        self.write(frame(REFUSED, struct.pack("<BBB", tag, request, reason)))


def worked_examples():
    """Some of section 9, so that a slip here is not taken for one of the host."""
    assert crc16(b"123456789") == 0x29B1
    assert stuff(bytes.fromhex("11000000")) == bytes.fromhex("0211010101")
    assert frame(WHO, b"\1") == bytes.fromhex("0701810183B4D500")
    assert frame(DONE, struct.pack("<BBI", 2, SET_RATE, 9766)) == bytes.fromhex(
        "07010402822626010482ABDB00")
    assert unframe(bytes.fromhex("0401820203102701 04808D82")) == (
        SET_RATE, struct.pack("<BBI", 2, 0, 10000))
    for data, why in (
        ("AA", "too-short"), ("07018101 83D5B4", "bad-check"), ("20018101 82F8B6", "bad-cobs"),
        ("04018101 818389", "bad-cobs"), ("07028101 828685", "unknown-version"),
        ("07017F01 83D59B", "unknown-kind"), ("060181 8399A4", "wrong-length"),
        ("05018201FE010101 0481C898", "bad-field"),
    ):
        try:
            unframe(bytes.fromhex(data))
        except Bad as said:
            assert str(said) == why, (data, why, str(said))
        else:
            raise AssertionError(data)


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--device", type=lambda t: int(t, 0), default=0x5E5000F00D000001)
    arguments.add_argument("--tilt", type=float, default=-1.25)
    arguments.add_argument("--gap", type=float, default=412.3)
    arguments = arguments.parse_args()
    worked_examples()
    near, far = pty.openpty()
    tty.setraw(far)
    os.set_blocking(near, False)
    print(os.ttyname(far), flush=True)

    def write(data):
        try:
            os.write(near, data)
        except BlockingIOError:
            pass  # nobody listens; the line is full

    sensor = Sensor(write, arguments.device, arguments.tilt, arguments.gap)
    commands = [sys.stdin]
    while True:
        ready, _, _ = select.select([near] + commands, [], [], sensor.measure())
        if near in ready:
            sensor.hear(os.read(near, 256))
        if sys.stdin in ready:
            word = sys.stdin.readline()
            if not word:
                return
            if word.strip() == "restart":
                sensor.start()
            elif word.strip() == "half":
                write(frame(WHO, b"\1")[:4])


if __name__ == "__main__":
    main()

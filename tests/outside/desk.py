"""Four kinds of sensor on four pseudo-terminals, with a hand on their plugs.

    python3 desk.py FOLDER

Makes FOLDER/tilt (wire protocol, see sensor_from_page.py), FOLDER/heel (NMEA
sentences), FOLDER/gap (text lines) and FOLDER/bus (Modbus RTU, address 3, input
register 2). On standard input: 'pull NAME', 'put NAME AS OTHER', 'quit'.
"""
import os
import pty
import select
import sys
import time
import tty

from sensor_from_page import Sensor


def crc_modbus(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


class Plug:
    """A pseudo-terminal under a name that can be pulled and put in again."""

    def __init__(self, folder, name):
        self.folder, self.near = folder, None
        self.put(name)

    def put(self, name):
        self.near, self.far = pty.openpty()
        tty.setraw(self.far)
        os.set_blocking(self.near, False)
        self.path = os.path.join(self.folder, name)
        if os.path.islink(self.path):
            os.remove(self.path)
        os.symlink(os.ttyname(self.far), self.path)

    def pull(self):
        os.remove(self.path)
        os.close(self.near)
        os.close(self.far)
        self.near = None

    def write(self, data):
        if self.near is not None:
            try:
                os.write(self.near, data)
            except BlockingIOError:
                pass


class Speaking:
    """Says a line ten times a second."""

    def __init__(self, plug, line):
        self.plug, self.line, self.due, self.count = plug, line, 0.0, 0

    def measure(self):
        now = time.monotonic()
        if now >= self.due:
            self.due = now + 0.1
            self.count += 1
            self.plug.write(self.line(self.count))
        return self.due - now

    def hear(self, data):
        pass


class Answering:
    """Modbus: input register 2 of address 3, thousandths of a degree."""

    def __init__(self, plug, value):
        self.plug, self.value = plug, value

    def measure(self):
        return 1.0

    def hear(self, data):
        if len(data) < 8 or data[0] != 3 or crc_modbus(data[:6]) != data[6:8]:
            return
        if data[1:6] == bytes([4, 0, 2, 0, 1]):
            answer = bytes([3, 4, 2]) + self.value.to_bytes(2, "big", signed=True)
        else:
            answer = bytes([3, data[1] | 0x80, 1])
        self.plug.write(answer + crc_modbus(answer))


def sentence(count):
    body = f"IIXDR,A,{0.060 + 0.001 * (count % 2):.3f},D,HEEL"
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def line(count):
    return f"D: {471.5 + 0.01 * (count % 3):.2f} mm, q={count % 7}\r\n".encode()


def main():
    folder = sys.argv[1]
    os.makedirs(folder, exist_ok=True)
    plugs = {name: Plug(folder, name) for name in ("tilt", "heel", "gap", "bus")}
    sensors = {
        "tilt": Sensor(plugs["tilt"].write, 0x5E5000F00D000001, 0.06, 412.3),
        "heel": Speaking(plugs["heel"], sentence),
        "gap": Speaking(plugs["gap"], line),
        "bus": Answering(plugs["bus"], 310),
    }
    print("ready", flush=True)
    while True:
        wait = min(sensor.measure() for sensor in sensors.values())
        open_now = {p.near: n for n, p in plugs.items() if p.near is not None}
        ready, _, _ = select.select([sys.stdin, *open_now], [], [], max(0.0, min(wait, 1.0)))
        for one in ready:
            if one is not sys.stdin:
                sensors[open_now[one]].hear(os.read(one, 256))
        if sys.stdin in ready:
            words = sys.stdin.readline().split()
            if not words or words[0] == "quit":
                return
            if words[0] == "pull":
                plugs[words[1]].pull()
            elif words[0] == "put":
                plugs[words[1]].put(words[3])
                if words[1] == "tilt":
                    sensors["tilt"].start()
            print("did", *words, flush=True)


if __name__ == "__main__":
    main()

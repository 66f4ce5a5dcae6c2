"""A Modbus RTU bus on a pseudo-terminal, by pymodbus: two devices.

Prints the path of the terminal to open, then serves until it is ended.
Device 1: input register 4 holds 125. Device 2: holding registers 16 and 17
hold the float 0.412, low register first.
"""
import asyncio
import os
import pty
import struct
import threading
import tty

from pymodbus import FramerType
from pymodbus.datastore import (
    ModbusDeviceContext,
    ModbusSequentialDataBlock,
    ModbusServerContext,
)
from pymodbus.server import StartAsyncSerialServer


def raw_pair():
    controller, near = pty.openpty()
    tty.setraw(near)
    return controller, near, os.ttyname(near)


def pump(source, sink):
    while True:
        os.write(sink, os.read(source, 256))


async def main():
    theirs, _keep_theirs, served = raw_pair()
    ours, _keep_ours, shown = raw_pair()
    for ends in ((theirs, ours), (ours, theirs)):
        threading.Thread(target=pump, args=ends, daemon=True).start()
    high, low = struct.unpack(">HH", struct.pack(">f", 0.412))
    # A block begins at address 1 of the standard's counting from 1.
    one = ModbusDeviceContext(ir=ModbusSequentialDataBlock(5, [125]))
    two = ModbusDeviceContext(hr=ModbusSequentialDataBlock(17, [low, high]))
    context = ModbusServerContext(devices={1: one, 2: two}, single=False)
    print(shown, flush=True)
    await StartAsyncSerialServer(
        context, framer=FramerType.RTU, port=served, baudrate=9600
    )


asyncio.run(main())

"""Modbus devices for tests: pymodbus's own server, libmodbus by ctypes, and a line that errs."""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import ctypes.util
import os
import pty
import select
import socket
import threading
import time
import tty

import pytest

HOLDING = [0] * 200
HOLDING[0x6B:0x6E] = [555, 0, 100]  # the worked example of the specification, 6.3
HOLDING[0:8] = [0xFFFE, 0x0001, 0x86A0, 0xFFFE, 0x7960, 0x4000, 0x449A, 0b0000_0101]
"""-2; 100 000; −100 000; 1234.0 as a float, its low word first; bits 0 and 2."""
INPUT = [0] * 16
INPUT[8] = 10  # likewise, 6.4
BITS = [False] * 300
for place in (20, 22):
    BITS[place] = True


def needs_libmodbus():
    """The library's name, or a skip that says what to install."""
    name = ctypes.util.find_library("modbus")
    if name is None:
        pytest.skip("libmodbus is not there; on Debian: apt-get install libmodbus5")
    return ctypes.CDLL(name, use_errno=True)


class Relay:
    """A serial line of two pseudo-terminals, which can spoil, drop, delay and echo.

    Attributes:
        near: the port for the recorder.
        far: the port for the device.
        change: what becomes of each chunk from the device; None for nothing.
        delay_s: how much later it comes.
        echo: whether what the recorder sends comes back to it too.
        asked: what the recorder has sent.
        slowest_s: the longest that a piece of an answer took after the question before it.
    """

    def __init__(self):
        self._masters, self._slaves = zip(*(pty.openpty() for _ in range(2)), strict=True)
        for fd in (*self._masters, *self._slaves):
            tty.setraw(fd)
        self.near, self.far = (os.ttyname(fd) for fd in self._slaves)
        self.change, self.delay_s, self.echo, self.asked = None, 0.0, False, []
        self.slowest_s, self._asked_s = 0.0, 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join(5)
        for fd in (*self._masters, *self._slaves):
            with contextlib.suppress(OSError):
                os.close(fd)

    def _run(self):
        near, far = self._masters
        while not self._stop.is_set():
            for fd in select.select([near, far], [], [], 0.05)[0]:
                data = os.read(fd, 4096)
                if fd == near:
                    self.asked.append(data)
                    self._asked_s = time.monotonic()
                    if self.echo:
                        os.write(near, data)
                    os.write(far, data)
                else:
                    self._answer(near, data)

    def _answer(self, near, data):
        if self.delay_s:
            time.sleep(self.delay_s)
        if self.change is not None:
            data = self.change(data)
        self.slowest_s = max(self.slowest_s, time.monotonic() - self._asked_s)
        if data:
            os.write(near, data)


@contextlib.contextmanager
def pymodbus_server(*, port=None, tcp=None, device=1, trace=None, serial_frames=False):
    """The server of pymodbus on a serial port or a loopback address, in a thread of its own."""
    from pymodbus.framer import FramerType
    from pymodbus.server import ModbusSerialServer, ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    blocks = (
        [SimData(0, values=list(BITS), datatype=DataType.BITS)],
        [SimData(0, values=list(BITS), datatype=DataType.BITS)],
        [SimData(0, values=list(HOLDING), datatype=DataType.REGISTERS)],
        [SimData(0, values=list(INPUT), datatype=DataType.REGISTERS)],
    )
    loop, ready, servers = asyncio.new_event_loop(), threading.Event(), []

    async def serve():
        devices = [SimDevice(device, simdata=blocks)]
        if tcp is not None:
            server = ModbusTcpServer(
                devices,
                address=("127.0.0.1", tcp),
                trace_packet=trace,
                framer=FramerType.RTU if serial_frames else FramerType.SOCKET,
            )
        else:
            server = ModbusSerialServer(
                devices, port=port, trace_packet=trace, ignore_missing_devices=True
            )
        servers.append(server)
        await server.serve_forever(background=True)
        ready.set()
        await server.serving

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),), daemon=True)
    thread.start()
    assert ready.wait(10)
    try:
        yield
    finally:
        asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(5)
        thread.join(5)
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


class _Mapping(ctypes.Structure):
    """``modbus_mapping_t`` of libmodbus 3.1."""

    _fields_ = [
        *((n, ctypes.c_int) for n in ("nb_bits", "start_bits", "nb_input_bits")),
        *((n, ctypes.c_int) for n in ("start_input_bits", "nb_input_registers")),
        *((n, ctypes.c_int) for n in ("start_input_registers", "nb_registers", "start_registers")),
        *((n, ctypes.POINTER(ctypes.c_uint8)) for n in ("tab_bits", "tab_input_bits")),
        *((n, ctypes.POINTER(ctypes.c_uint16)) for n in ("tab_input_registers", "tab_registers")),
    ]


@contextlib.contextmanager
def libmodbus_server(*, port=None, tcp=None, device=1):
    """A server by libmodbus (https://libmodbus.org), which shares no code with pymodbus."""
    library = needs_libmodbus()
    context = _context(library, port=port, tcp=tcp)
    mapping = _mapping(library)
    assert library.modbus_set_slave(context, device) == 0
    listening = ctypes.c_int(-1)
    if tcp is not None:
        listening.value = library.modbus_tcp_listen(context, 1)
    else:
        assert library.modbus_connect(context) == 0, os.strerror(ctypes.get_errno())
        library.modbus_set_indication_timeout(context, 0, 200_000)
    stop = threading.Event()

    def serve():
        question = (ctypes.c_uint8 * 260)()
        if tcp is not None:
            library.modbus_tcp_accept(context, ctypes.byref(listening))
        while not stop.is_set():
            size = library.modbus_receive(context, question)
            if size > 0:
                library.modbus_reply(context, question, size, mapping)
            elif size < 0 and tcp is not None:
                return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        if tcp is not None:  # whoever still waits for a connection gets one
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", tcp), 1):
                pass
            with contextlib.suppress(OSError):
                os.close(listening.value)
        thread.join(5)
        library.modbus_close(context)
        library.modbus_mapping_free(mapping)
        library.modbus_free(context)


def _context(library, *, port, tcp):
    for name in ("modbus_new_tcp", "modbus_new_rtu"):
        getattr(library, name).restype = ctypes.c_void_p
    if tcp is not None:
        return ctypes.c_void_p(library.modbus_new_tcp(b"127.0.0.1", tcp))
    return ctypes.c_void_p(library.modbus_new_rtu(port.encode(), 19200, ctypes.c_char(b"N"), 8, 1))


def _mapping(library):
    library.modbus_mapping_new.restype = ctypes.POINTER(_Mapping)
    mapping = library.modbus_mapping_new(len(BITS), len(BITS), len(HOLDING), len(INPUT))
    tables = {
        "tab_bits": BITS,
        "tab_input_bits": BITS,
        "tab_registers": HOLDING,
        "tab_input_registers": INPUT,
    }
    for table, values in tables.items():
        for place, value in enumerate(values):
            getattr(mapping.contents, table)[place] = int(value)
    return mapping

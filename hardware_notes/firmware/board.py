"""The board: all that touches hardware. Generic MicroPython, no board's own modules.

It uses interrupts of pins on both edges (hard ones where the port has them), virtual timers
(else hardware ones), the microsecond counter, a UART, and ``network`` for Wi-Fi where packs go to a
broker. What else there is (counting units, DMA, programmable inputs) is left alone: a slew encoder
gives some hundred edges a second.

This file has not been tried on hardware. All others run in the tests.
"""

import sys
import time
from binascii import hexlify
from os import urandom

import machine
from broker_socket import open_connection
from machine import Pin

TICKS_PERIOD = time.ticks_add(0, -1) + 1
"""Counts in a turn of the microsecond counter; the port knows it."""

ticks_us = time.ticks_us
quiet = machine.disable_irq
loud = machine.enable_irq

_timers = []


def boot_mark():
    """A text that no other start of this board has."""
    return hexlify(urandom(4)).decode()


def input_pin(number, *, pull_up=False):
    """A pin that is read."""
    return Pin(number, Pin.IN, Pin.PULL_UP if pull_up else None)


def output_pin(number):
    """A pin that is set, low at first."""
    return Pin(number, Pin.OUT, value=0)


def on_edges(pin, handler):
    """Calls a handler with the pin at each edge."""
    both = Pin.IRQ_RISING | Pin.IRQ_FALLING
    try:
        pin.irq(handler=handler, trigger=both, hard=True)
    except TypeError:  # this port has soft interrupts only: some milliseconds late at times
        pin.irq(handler=handler, trigger=both)


def every(period_ms, handler):
    """Calls a handler again and again."""
    try:
        timer = machine.Timer(-1)
    except ValueError:  # this port has no virtual timers, and numbers those of its hardware
        timer = machine.Timer(len(_timers))
    timer.init(period=period_ms, mode=machine.Timer.PERIODIC, callback=handler)
    _timers.append(timer)


def open_uart(settings):
    """A serial port whose ``read`` and ``write`` do not wait."""
    return machine.UART(
        settings["id"],
        baudrate=settings["baud"],
        tx=Pin(settings["tx"]),
        rx=Pin(settings["rx"]),
        timeout=0,
        txbuf=2048,
    )


def open_socket(settings):
    """A connection to the broker that does not wait once it is open.

    Raises:
        OSError: where network or broker do not answer.
        ValueError: where the broker's certificate is not the right one.
    """
    _join_network()
    return open_connection(settings)


def rest():
    """Gives time to what runs beside the main loop."""
    time.sleep_ms(1)


def restart(problem):
    """Tells what went wrong, on the board's console, and starts the program anew."""
    sys.print_exception(problem)
    time.sleep_ms(1000)
    machine.reset()


def _join_network():
    import network  # noqa: PLC0415 - boards without Wi-Fi have none
    import secret  # noqa: PLC0415 - a node on a serial line needs none

    wifi = network.WLAN(network.STA_IF)
    wifi.active(True)
    try:  # noqa: SIM105 - MicroPython has no contextlib
        wifi.config(pm=wifi.PM_NONE)  # saving power would hold packs back
    except (AttributeError, ValueError, OSError):  # this port has another name for it
        pass
    if not wifi.isconnected():
        if wifi.status() != network.STAT_CONNECTING:
            wifi.connect(secret.WIFI_NAME, secret.WIFI_PASSWORD)
        raise OSError("Wi-Fi not joined yet")

"""How long the firmware's parts take and how much heap they hold, under MicroPython's Unix port.

``python -m tests.campaigns.firmware_speed``. A small board is slower by a factor of 50 or so
(from memory): the last line is for comparing, type the same loop there.
"""

from __future__ import annotations

from tests.micropython import run_script

SCRIPT = """
import gc, sys, time
sys.modules["secret"] = type("secret", (), {"BROKER_USER": None, "BROKER_PASSWORD": None})
import config_mast, config_wheels, node
from bridge import read_bits
from pack_ring import PackRing
from quadrature import Quadrature
from senml_pack import PackWriter, checksum_text

class Board:
    TICKS_PERIOD = 1 << 30
    def boot_mark(self): return "01234567"
    def ticks_us(self): return 0
    def value(self, *level): return 1
    def read(self): return None
    def write(self, data): return len(data)
    def __getattr__(self, name): return lambda *a, **k: self

board = Board()
told = {}

def least_us(what, call, count):
    least = 1 << 30
    for _ in range(50):
        start = time.ticks_us()
        call()
        least = min(least, time.ticks_us() - start)
    told[what] = f"{least / count:.2f} us"

for name, config in (("mast", config_mast), ("wheels", config_wheels)):
    gc.collect()
    before = gc.mem_alloc()
    subject = node.Node(board, config)
    gc.collect()
    told[f"heap for the buffers of {name}"] = f"{gc.mem_alloc() - before} bytes"

subject = node.Node(board, config_mast)
writer = PackWriter(["enc", "rad", "cell"], (), "01234567", 24)
steps = Quadrature(0)

def pack():
    for i in range(24):
        writer.add(i % 3, 99999999 + i * 4000, 123456)
    checksum_text(memoryview(writer.text)[: writer.write(1234)])

def edges():
    for i in range(100):
        steps.change((2, 3, 1, 0)[i & 3])

def turns():
    for i in range(100):
        subject.turn()

def loop():
    x = 0
    for i in range(1000):
        x = (x + i * 3) % 1000

least_us("a reading written into a signed pack", pack, 24)
least_us("a conversion read from a bridge", lambda: read_bits(board, board, 1, int, abs), 1)
least_us("an edge of an encoder", edges, 100)
least_us("a round of the main loop with nothing to do", turns, 100)
least_us("for comparing: 1000 rounds of x = (x + i * 3) % 1000", loop, 1)
"""


def main() -> None:
    """Prints the figures."""
    for what, figure in run_script(SCRIPT).items():
        print(f"{what}: {figure}")


if __name__ == "__main__":
    main()

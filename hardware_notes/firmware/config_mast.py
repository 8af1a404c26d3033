"""What is wired to this board, and where its packs go. This one: the node at the crane's column.

Copy it to the board as ``config.py``. The numbers of pins are those that ``machine.Pin`` takes on
your board. Names are those of the rig file's channels (``name = "enc"``).
"""

ENCODERS = (
    # zero: pin of a push button to ground, or of the index line (zero_level: 0 or 1 while it acts).
    # Until it has acted the encoder sends nothing. None counts from wherever the power came on.
    # wraps_at: counts in a turn, as in the rig file; 0 for a count that never starts again.
    # rate_hz: readings a second; must divide 1000.
    {"name": "enc", "a": 2, "b": 3, "zero": 8, "zero_level": 0, "wraps_at": 4096, "rate_hz": 50},
    {"name": "rad", "a": 4, "b": 5, "zero": 9, "zero_level": 0, "wraps_at": 0, "rate_hz": 20},
)
BRIDGES = (
    # extra_pulses: 1, 2 or 3; the converter's data sheet says which input and gain that is.
    {"name": "cell", "clock": 6, "data": 7, "extra_pulses": 1},
)
CONTACTS = ()
CLOSED_LEVEL = 0  # level of the pin while a contact is closed
CONTACT_RATE_HZ = 50  # repeats of each contact's state; must divide 1000
EDGE_LATE_US = 4000  # the latest that an interrupt comes after its edge

LINK = "uart"  # or "mqtt"
UART = {"id": 0, "tx": 0, "rx": 1, "baud": 115200}
MQTT = {}

PACK_MS = 100  # a pack holds what was read in this time
READINGS_IN_PACK = 24  # at most; a full one goes earlier
RING_BYTES = 8000  # memory for packs that wait
RING_PACKS = 40
SAMPLES = 128  # samples and edges that interrupts may write down before the main loop comes
EDGES = 8

"""What is wired to this board, and where its packs go. This one: the node under the truck.

Copy it to the board as ``config.py``, and beside it a ``secret.py`` with the network's and the
broker's passwords (see the README). The numbers of pins are those that ``machine.Pin`` takes on
your board. Names are those of the rig file's channels (``name = "rear_left"``).
"""

import secret

ENCODERS = ()
BRIDGES = ()
CONTACTS = (
    {"name": "front_left", "pin": 10},
    {"name": "front_right", "pin": 11},
    {"name": "rear_left", "pin": 12},
    {"name": "rear_right", "pin": 13},
)
CLOSED_LEVEL = 0  # contact to ground, pull-up: a cut wire is high and so reads open
CONTACT_RATE_HZ = 50  # repeats of each contact's state; must divide 1000
EDGE_LATE_US = 4000  # the latest that an interrupt comes after its edge

LINK = "mqtt"  # or "uart"
UART = {}
MQTT = {
    "host": "192.168.4.1",
    "port": 1883,
    "ca_file": None,  # or "ca.der", certificate of the broker's authority, and port 8883
    "topic": "rig/bay-2/wheels",
    "client_id": "bay-2-wheels",  # no other device's
    "user": secret.BROKER_USER,
    "password": secret.BROKER_PASSWORD,
    "keep_alive_s": 20,
    "answer_within_s": 8,  # a broker that is silent for longer is connected to anew
    "connect_within_s": 2,
    "retry_s": 1,
    "in_flight": 10,  # packs sent and not yet acknowledged
}

PACK_MS = 100  # a pack holds what was read in this time
READINGS_IN_PACK = 32  # at most; a full one goes earlier
RING_BYTES = 48000  # memory for packs that wait; 8 s of four contacts, 50 times a second
RING_PACKS = 200
SAMPLES = 1000  # samples and edges that interrupts may write down before the main loop comes
EDGES = 250

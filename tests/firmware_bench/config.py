"""The firmware's own configuration, with times and memory stretched for a clock that runs fast."""

import sys

if sys.argv[1] == "mast":
    from config_mast import *
else:
    from config_wheels import *

    MQTT = dict(
        MQTT,
        host="127.0.0.1",
        port=int(sys.argv[5]),
        keep_alive_s=3000,
        answer_within_s=600,
        retry_s=3,
    )

if float(sys.argv[4]) > 1:
    PACK_MS = 600
    RING_BYTES = 1_500_000
    RING_PACKS = 4000
    SAMPLES = 4000
    EDGES = 1000

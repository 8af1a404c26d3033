"""Drawings of the whole rig: what is joined to what, where the earth is, when a reading was."""

from __future__ import annotations

from paper import Paper


def overview() -> Paper:
    """From the sensors to the computer."""
    p = Paper(
        860,
        430,
        title="From the sensors to the run",
        about="Encoder, load cell and radius sensor go to a node at the crane's column; contact "
        "switches to a node under the truck. The first speaks over a serial line, the second over "
        "Wi-Fi and a broker, to the computer that records and drives a lamp and a screen.",
    )
    rows = (("slew encoder", 52), ("load cell", 108), ("radius, level, wind", 164))
    for words, y in rows:
        p.box(24, y, 170, 44, "sensor", r=6)
        p.say(109, y + 27, words, anchor="middle", bare=True)
        p.line((194, y + 22), (262, y + 22), look="wire")
    p.box(262, 52, 150, 156, "box", r=6)
    p.say(337, 122, "node at", "the column", look="strong", anchor="middle")
    p.say(337, 164, "SenML, CRC", look="small", anchor="middle")
    for i, words in enumerate(("front left", "front right", "rear left", "rear right")):
        y = 246 + 40 * i
        p.box(24, y, 170, 32, "sensor", r=6)
        p.say(109, y + 21, f"contact {words}", anchor="middle", bare=True)
        p.line((194, y + 16), (262, y + 16), look="wire")
    p.box(262, 246, 150, 152, "box", r=6)
    p.say(337, 312, "node under", "the truck", look="strong", anchor="middle")
    p.say(337, 354, "SenML, QoS 1", look="small", anchor="middle")
    p.arrow((412, 130), (604, 130), look="fat")
    p.say(508, 118, "serial line", look="strong", anchor="middle")
    p.say(508, 150, "115 200 baud, isolated", look="small", anchor="middle")
    p.line((412, 322), (450, 322), look="dash")
    p.tip(462, 322, 0, "thin")
    p.box(462, 300, 92, 44, "box", r=6)
    p.say(508, 327, "broker", look="strong", anchor="middle")
    p.say(437, 292, "Wi-Fi", look="small", anchor="middle")
    p.arrow((554, 322), (604, 322), look="fat")
    p.box(604, 52, 150, 346, "dark", r=8)
    p.say(679, 190, "computer", look="head", anchor="middle", bare=True)
    p.say(679, 218, "check, record,", "serve", anchor="middle", bare=True)
    p.arrow((754, 108), (790, 108), look="danger")
    p.circle(812, 108, 20, "load")
    p.say(812, 152, "lamp", anchor="middle")
    p.arrow((754, 222), (786, 222), look="fine")
    p.box(788, 196, 52, 52, "goodbox", r=4)
    p.say(812, 270, "screen", anchor="middle")
    p.arrow((754, 338), (786, 338), look="fine")
    p.shape((794, 316), (820, 316), (832, 328), (832, 362), (794, 362), look="goodbox")
    p.say(812, 386, "run", anchor="middle")
    return p


def earth() -> Paper:
    """One earth, two supplies, isolation between them."""
    p = Paper(
        860,
        400,
        title="One earth, and isolation where two supplies meet",
        about="The truck's battery feeds a fuse and an isolated converter. The node and its "
        "sensors have the converter's ground; shields join there only. The computer runs on its "
        "own battery, and the serial line crosses an isolator.",
    )
    p.box(24, 150, 120, 64, "dark", r=6)
    p.say(84, 178, "truck battery", look="strong", anchor="middle", bare=True)
    p.say(84, 198, "12 or 24 V", look="small", anchor="middle", bare=True)
    p.line((144, 182), (176, 182), look="danger")
    p.box(176, 170, 44, 24, "box", r=4)
    p.line((180, 182), (216, 182), look="danger")
    p.say(198, 160, "fuse", anchor="middle")
    p.line((220, 182), (252, 182), look="danger")
    p.box(252, 142, 132, 80, "box", r=6)
    p.line((318, 142), (318, 222), look="dash")
    p.say(318, 128, "isolated converter", look="strong", anchor="middle")
    p.line((384, 182), (420, 182), look="danger")
    p.box(420, 120, 120, 124, "box", r=6)
    p.say(480, 176, "node", look="strong", anchor="middle")
    p.say(480, 196, "5 V", look="small", anchor="middle")
    for y, words in ((52, "encoder"), (292, "load cell")):
        p.box(452, y, 110, 34, "sensor", r=6)
        p.say(507, y + 22, words, anchor="middle", bare=True)
    for x in (490, 508):
        p.line((x, 86), (x, 120), look="wire")
        p.line((x, 244), (x, 292), look="wire")
    p.path("M478 92h42v28h-42z", "dash")
    p.path("M478 244h42v42h-42z", "dash")
    p.say(572, 102, "shield: joined at the node only", look="small")
    p.say(572, 274, "shield: joined at the node only", look="small")
    p.line((540, 182), (590, 182), look="wire")
    p.box(590, 152, 92, 60, "box", r=6)
    p.line((636, 152), (636, 212), look="dash")
    p.say(636, 140, "isolator", look="strong", anchor="middle")
    p.line((682, 182), (724, 182), look="wire")
    p.box(724, 136, 112, 92, "dark", r=8)
    p.say(780, 176, "computer", look="strong", anchor="middle", bare=True)
    p.say(780, 196, "own battery", anchor="middle", bare=True)
    # the earth
    p.line((430, 244), (430, 352), look="fat")
    p.line((412, 352), (448, 352), look="fat")
    p.line((418, 359), (442, 359), look="fat")
    p.line((424, 366), (436, 366), look="fat")
    p.say(398, 346, "one earth: a bare bolt", "of the frame near the node", anchor="end")
    p.line((84, 214), (84, 270), look="fat")
    p.line((66, 270), (102, 270), look="fat")
    p.line((72, 277), (96, 277), look="fat")
    p.line((78, 284), (90, 284), look="fat")
    p.say(84, 308, "the truck's own", anchor="middle")
    return p


def reading_time() -> Paper:
    """A reading's way from the sensor to its stamp, and what is taken off again."""
    p = Paper(
        860,
        330,
        title="When was this reading?",
        about="A reading is taken, waits for its pack, is sent over the wire in nine milliseconds, "
        "is held by the adapter for up to sixteen, and is stamped by the computer. The device's "
        "uptime in the pack tells the moment itself; the earliest arrivals tie both clocks.",
    )
    x0, px = 60, 15.5
    parts = (
        (0, 10, "waits for its pack", "10 ms", "box"),
        (10, 18.7, "on the wire", "100 bytes: 8.7 ms", "sensor"),
        (18.7, 34.7, "held by the adapter", "0 to 16 ms", "load"),
        (34.7, 44, "computer busy", "0 to 9 ms", "box"),
    )
    for start, end, words, size, look in parts:
        p.box(x0 + start * px, 120, (end - start) * px, 62, look, r=2)
        p.say(x0 + (start + end) / 2 * px, 146, words, look="label", anchor="middle", bare=True)
        p.say(x0 + (start + end) / 2 * px, 168, size, look="small", anchor="middle", bare=True)
    p.arrow((x0, 76), (x0, 118), look="fine")
    p.say(x0 - 6, 62, "reading taken: “up” tells this moment", look="strong")
    p.arrow((x0 + 44 * px, 76), (x0 + 44 * px, 118), look="fat")
    p.say(x0 + 44 * px, 62, "stamped", look="strong", anchor="end")
    p.line((x0 + 10 * px, 182), (x0 + 10 * px, 214), look="thin")
    p.line((x0 + 18.7 * px, 182), (x0 + 18.7 * px, 214), look="thin")
    p.line((x0 + 44 * px, 182), (x0 + 44 * px, 214), look="thin")
    p.size(
        (x0 + 10 * px, 206),
        (x0 + 18.7 * px, 206),
        "taken off: the baud",
        "rate tells it",
        beside=(0, 22),
    )
    p.size(
        (x0 + 18.7 * px, 206),
        (x0 + 44 * px, 206),
        "differs from pack to pack:",
        "the least one ties the clocks",
        beside=(0, 22),
    )
    p.say(
        x0,
        290,
        "Without “up” all of it goes into the reading’s time. With it, what is left is a few",
        look="label",
    )
    p.say(x0, 312, "milliseconds at most, and the run says how many.", look="label")
    return p

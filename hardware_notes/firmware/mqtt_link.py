"""Packs to a broker with QoS 1: each is kept until the broker says that it has it.

Nothing here waits, but for opening the connection: ``turn`` does what can be done now. A lost
connection is opened anew, and all that was not acknowledged goes out again, in order, marked as
sent before. What the broker gets twice that way the recorder takes once, by ``boot`` and ``seq``.

An error is no end: broker, network or password may be put right while the node runs.
"""

from errno import EAGAIN

from mqtt_packets import (
    CONNACK,
    PINGREQ,
    PUBACK,
    Answers,
    connect_packet,
    packet_id_of,
    publish_head,
)

US = 1000000


class MqttLink:
    """A publisher.

    Attributes:
        problem: what went wrong last, in words; empty while connected.

    Args:
        ring: the packs that are to go out.
        settings: the table ``MQTT`` of the configuration.
        open_socket: opens a connection that does not wait, or raises OSError.
        longest: bytes of the longest pack.
    """

    def __init__(self, ring, settings, open_socket, longest):
        self._ring = ring
        self._topic = settings["topic"].encode()
        self._settings = settings
        self._open_socket = open_socket
        self._socket = None
        self._is_joined = False
        self._answers = Answers()
        self._heard = bytearray(64)
        self._out = bytearray(longest + len(self._topic) + 16)
        self._out_view = memoryview(self._out)
        self._out_from = 0
        self._out_to = 0
        self._next_try_us = 0
        self._heard_us = 0
        self._said_us = 0
        self._waits_for_answer = False
        self.problem = "not connected yet"

    def question(self):
        """None: a broker asks nothing."""
        return

    def turn(self, now_us):
        """Does what can be done now.

        Args:
            now_us: uptime, µs.
        """
        try:
            if self._socket is None:
                self._open_when_due(now_us)
            else:
                self._listen(now_us)
                self._speak(now_us)
        except (OSError, ValueError) as exc:
            self._close(now_us, f"connection lost: {exc}")

    def _open_when_due(self, now_us):
        if now_us < self._next_try_us:
            return
        settings = self._settings
        self._next_try_us = now_us + settings["retry_s"] * US
        self._socket = self._open_socket(settings)
        self._answers.clear()
        self._is_joined = False
        self._heard_us = now_us
        self._waits_for_answer = True
        self._send(
            connect_packet(
                settings["client_id"],
                settings["keep_alive_s"],
                settings["user"],
                settings["password"],
            ),
            now_us,
        )

    def _listen(self, now_us):
        while True:
            count = _unless_it_would_wait(self._socket.readinto, self._heard)
            if count is None:
                break
            if count == 0:
                raise OSError("the broker ended it")
            self._heard_us = now_us
            for i in range(count):
                answer = self._answers.feed(self._heard[i])
                if answer is not None:
                    self._take(answer[0], answer[1])
        silent_us = now_us - self._heard_us
        if self._waits_for_answer and silent_us > self._settings["answer_within_s"] * US:
            raise OSError("no answer")

    def _take(self, kind, number):
        self._waits_for_answer = False
        if kind == PUBACK:
            self._ring.acknowledge(lambda seq: packet_id_of(seq) == number)
        elif kind == CONNACK:
            if number:
                raise OSError(f"refused with code {number}; 4 and 5 are user and password")
            self._is_joined = True
            self._ring.send_again()
            self.problem = ""

    def _speak(self, now_us):
        while self._flush() and self._is_joined and self._publish_next(now_us):
            pass
        quiet_us = now_us - self._said_us
        is_idle = self._out_from == self._out_to
        if is_idle and self._is_joined and quiet_us > self._settings["keep_alive_s"] * US // 2:
            self._send(PINGREQ, now_us)

    def _publish_next(self, now_us):
        if self._ring.in_flight >= self._settings["in_flight"]:
            return False
        pack = self._ring.next()
        if pack is None:
            return False
        seq, text, again = pack
        head = publish_head(self._topic, packet_id_of(seq), len(text), again)
        end = len(head) + len(text)
        self._out[len(head) : end] = text
        self._ring.mark_sent()
        self._send_rest(head, end, now_us)
        return True

    def _send(self, packet, now_us):
        self._send_rest(packet, len(packet), now_us)

    def _send_rest(self, head, end, now_us):
        """Sends ``head`` and what stands behind it in the buffer, up to ``end``."""
        self._out[: len(head)] = head
        self._out_from, self._out_to = 0, end
        if not self._waits_for_answer:
            self._heard_us = now_us  # an answer is due from now on
        self._waits_for_answer = True
        self._said_us = now_us
        self._flush()

    def _flush(self):
        """Writes what waits; True where nothing is left."""
        while self._out_from < self._out_to:
            part = self._out_view[self._out_from : self._out_to]
            count = _unless_it_would_wait(self._socket.write, part)
            if not count:
                return False
            self._out_from += count
        return True

    def _close(self, now_us, problem):
        self.problem = problem
        if self._socket is not None:
            self._socket.close()
        self._socket = None
        self._is_joined = False
        self._out_from = self._out_to = 0
        self._next_try_us = max(self._next_try_us, now_us + self._settings["retry_s"] * US)


def _unless_it_would_wait(call, argument):
    """What a call on a socket gives, or None where there is nothing to do yet."""
    try:
        return call(argument)
    except OSError as exc:
        if exc.errno == EAGAIN:
            return None
        raise

"""Modbus frames by pymodbus: the bytes of a question, and the answer in bytes that came.

pymodbus knows the frames, their checksum and the messages in them. Its clients are not used:
they wait by the wall's clock, which someone may set, and look for bytes only now and then, so
that an exchange would last longer than it does. What is an answer to *this* question is judged
here, since a serial line gives an answer no number: device, function and length must fit.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Protocol

from pymodbus.framer.base import FramerBase
from pymodbus.framer.rtu import FramerRTU
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from logger.errors import FrameInvalid
from logger.readings.register_table import manual_number_hint
from logger.sources.register_questions import Question

# It would write to standard error, over the panel; what happens is told by us.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

LARGEST_ANSWER_BYTES = 520
"""Two frames: an answer to an earlier question may stand before the right one."""

_REQUESTS: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
_EXCEPTIONS = {
    1: "it does not know this table's function",
    2: "it has no such address",
    3: "it does not take this question",
    4: "it failed",
    5: "it is still at work",
    6: "it is busy",
    8: "its memory is damaged",
    10: "the gateway has no path to it",
    11: "it does not answer the gateway",
}
"""Modbus application protocol 1.1b3, 7."""
_ILLEGAL_ADDRESS = 2


class DeviceRefused(FrameInvalid):
    """The device answered with an exception: it lives, and does not give this."""


class Framing(Protocol):
    """Frames of one kind of line."""

    def question(self, question: Question, number: int) -> bytes:
        """The bytes that ask a question.

        Args:
            question: what is asked.
            number: this question's number, which only a network's frames carry.
        """

    def answer(self, data: bytes, question: Question, number: int) -> Sequence[int] | None:
        """The answer in what came so far: words or bits, or None while it is not whole.

        Raises:
            DeviceRefused: for an exception.
            FrameInvalid: where what came is no answer to the question.
        """


class SerialFraming:
    """Frames of a serial line (RTU), which end in a checksum."""

    def __init__(self) -> None:
        self._framer = FramerRTU(DecodePDU(is_server=False))

    def question(self, question: Question, number: int) -> bytes:
        """The bytes that ask a question; a serial frame carries no number."""
        return _built(self._framer, question, number)

    def answer(self, data: bytes, question: Question, number: int) -> Sequence[int] | None:
        """The answer in what came so far; see the protocol."""
        asked = self.question(question, number)
        if data.startswith(asked):
            data = data[len(asked) :]  # an adapter that hears itself
        elif asked.startswith(data):
            return None
        used, device, _, message = self._framer.decode(data)
        if not used:
            _refuse_if_endless(data)
            return None
        if not message:
            raise FrameInvalid(f"wrong CRC in an answer of {len(data)} bytes to {question}")
        if device != question.device:
            raise FrameInvalid(f"device {device} answers to {question}")
        return _read(self._framer.decoder, message, question)


class NetworkFraming:
    """Frames of a network (TCP), which carry the number of their question."""

    def __init__(self) -> None:
        self._framer = FramerSocket(DecodePDU(is_server=False))

    def question(self, question: Question, number: int) -> bytes:
        """The bytes that ask a question."""
        return _built(self._framer, question, number)

    def answer(self, data: bytes, question: Question, number: int) -> Sequence[int] | None:
        """The answer in what came so far; one to an earlier question is passed over."""
        while data:
            if int.from_bytes(data[2:4], "big"):
                raise FrameInvalid("what came is no Modbus")
            used, device, of_number, message = self._framer.decode(data)
            if not used:
                _refuse_if_endless(data)
                return None
            data = data[used:]
            if of_number != number:
                continue
            if device != question.device:
                raise FrameInvalid(f"device {device} answers to {question}")
            return _read(self._framer.decoder, message, question)
        return None


def _built(framer: FramerBase, question: Question, number: int) -> bytes:
    request = _REQUESTS[question.function](
        dev_id=question.device,
        transaction_id=number,
        address=question.address,
        count=question.count,
    )
    return framer.buildFrame(request)


def _refuse_if_endless(data: bytes) -> None:
    if len(data) > LARGEST_ANSWER_BYTES:
        raise FrameInvalid(f"{len(data)} bytes and no answer in them")


def _read(decoder: DecodePDU, message: bytes, question: Question) -> Sequence[int]:
    answer = decoder.decode(message)
    if answer is None:
        raise FrameInvalid(f"what came is no answer to {question}")
    if answer.function_code & 0x7F != question.function:
        raise FrameInvalid(f"an answer of function {answer.function_code} to {question}")
    if isinstance(answer, ExceptionResponse):
        raise DeviceRefused(_refusal(question, answer.exception_code))
    wanted_bytes = -(-question.count // 8) if question.is_of_bits else 2 * question.count
    if len(message) != wanted_bytes + 2 or message[1] != wanted_bytes:
        raise FrameInvalid(f"an answer of {len(message) - 2} bytes to {question}")
    if question.is_of_bits:
        return [int(bit) for bit in answer.bits[: question.count]]
    return list(answer.registers)


def _refusal(question: Question, code: int) -> str:
    text = f"{question}: exception {code}, {_EXCEPTIONS.get(code, 'which nobody has named')}"
    hint = manual_number_hint(question.address) if code == _ILLEGAL_ADDRESS else ""
    return f"{text}; {hint}" if hint else text

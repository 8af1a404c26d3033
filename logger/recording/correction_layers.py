"""The layers over a sealed run, and the file that they lie in.

::

    {"format": "slewtrace.corrections/1", "layers": [{…}, {…}]}

Each layer names the run by its SHA-256, carries the hash of the layer below it (of the run for
the first one) and its own: the SHA-256 of its canonical JSON (see
:mod:`logger.recording.content_hash`) without the key ``sha256``. So a layer that was changed,
taken out from between others, or made for another run is found. The hashes guard against
accidents, not against someone who makes new ones.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from logger.readings.calibration_table import NewCalibration
from logger.recording.header import canonical_json

FORMAT_NAME = "slewtrace.corrections"
FORMAT_VERSION = 1
LARGEST_BYTES = 8 * 1024 * 1024

_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?Z", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One layer: a channel's calibration, in place of the one that the run was recorded with.

    Attributes:
        recording_sha256: the run that it is for.
        follows: hash of the layer below, or of the run.
        made_utc: when, ISO 8601 ending in Z.
        by: who.
        reason: why.
        channel: id of the channel.
        unit: unit of the calibrated value.
        coefficients: d₀, d₁ … of value = Σ dᵢ · rawⁱ.
        u: standard uncertainty of a reading with its unit; None leaves the channel's.
        calibrated: the ``calibrated`` table as in a rig file, perhaps empty.
        sha256: this layer's hash.
    """

    recording_sha256: str
    follows: str
    made_utc: str
    by: str
    reason: str
    channel: str
    unit: str
    coefficients: tuple[float, ...]
    u: str | None = None
    calibrated: dict[str, Any]
    sha256: str = ""

    @property
    def calibration(self) -> NewCalibration:
        """The calibration as a rig file takes it."""
        return NewCalibration(
            unit=self.unit,
            coefficients=self.coefficients,
            u=self.u,
            calibrated=self.calibrated,
        )

    def to_json(self) -> dict[str, Any]:
        """The layer as a JSON object."""
        document: dict[str, Any] = msgspec.to_builtins(self)
        return document

    def hashed(self) -> Correction:
        """The same layer with its hash."""
        stated = {k: v for k, v in self.to_json().items() if k != "sha256"}
        return replace(self, sha256=hashlib.sha256(canonical_json(stated).encode()).hexdigest())


def layers_as_bytes(layers: tuple[Correction, ...]) -> bytes:
    """The file of layers, oldest first, UTF-8."""
    document = {
        "format": f"{FORMAT_NAME}/{FORMAT_VERSION}",
        "layers": [layer.to_json() for layer in layers],
    }
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode()


def parse_layers(data: bytes, recording_sha256: str) -> tuple[Correction, ...]:
    """Reads a file of layers and checks every hash in it.

    Args:
        data: the file.
        recording_sha256: the run that it must be for.

    Raises:
        ValueError: in a few words: damaged, another run's, of a newer version.
    """
    if len(data) > LARGEST_BYTES:
        raise ValueError(f"has more than {LARGEST_BYTES} bytes")
    try:
        document = json.loads(data)
    except (ValueError, RecursionError) as exc:
        raise ValueError("is damaged: it is no JSON") from exc
    stated = document.get("format") if isinstance(document, dict) else None
    name, _, version = stated.partition("/") if isinstance(stated, str) else ("", "", "")
    if name != FORMAT_NAME or not (version.isascii() and version.isdigit()):
        raise ValueError(f"is not of format {FORMAT_NAME}")
    if int(version[:9]) != FORMAT_VERSION:
        raise ValueError(
            f"is of format {FORMAT_NAME}/{version[:9]} and this program reads "
            f"{FORMAT_NAME}/{FORMAT_VERSION}: use a newer Slewtrace"
        )
    try:
        layers = msgspec.convert(document.get("layers"), tuple[Correction, ...], strict=True)
    except msgspec.ValidationError as exc:
        raise ValueError(f"is damaged: {exc}") from exc
    _check_chain(layers, recording_sha256)
    return layers


def _check_chain(layers: tuple[Correction, ...], recording_sha256: str) -> None:
    if not layers:
        raise ValueError("is damaged: it has no layer")
    below = recording_sha256
    for number, layer in enumerate(layers, start=1):
        if layer.hashed().sha256 != layer.sha256:
            raise ValueError(f"is damaged: layer {number} does not have the SHA-256 it states")
        if layer.recording_sha256 != recording_sha256:
            raise ValueError(
                f"belongs to another run (SHA-256 {layer.recording_sha256[:12]}…, this run has "
                f"{recording_sha256[:12]}…)"
            )
        if layer.follows != below:
            raise ValueError(f"is damaged: a layer below layer {number} is missing")
        if not _UTC.fullmatch(layer.made_utc) or not (layer.by.strip() and layer.reason.strip()):
            raise ValueError(f"is damaged: layer {number} does not say who, when and why")
        below = layer.sha256

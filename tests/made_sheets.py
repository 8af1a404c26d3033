"""Runs to print, and what a reader finds on the printed pages."""

from __future__ import annotations

import asyncio
import io
import re

import numpy as np
import pypdf
import pypdfium2

from logger.readings.block import Block
from logger.recording.header import RunHeader
from logger.recording.sealed import write_sealed
from tests.made_run import RIG_TOML, TEST_TOML, MadeRun, full_sweep, reduced_sweep

CHART = "radius m,load kg\n" + "".join(f"{r / 10},{3000 - 40 * r}\n" for r in range(20, 56, 3))
_RATES_HZ = (20, 20, 10, 100)


def both_sides():
    """A test with a lift on either side."""
    made = reduced_sweep(MadeRun(), 1, lift_at=84.6, wheel="rear_left", radius_m=3.4, limit=172)
    return reduced_sweep(made, -1, lift_at=96.2, wheel="rear_right", radius_m=3.6, limit=168)


def nothing_proved():
    """A test whose load never hung whole."""
    return full_sweep(MadeRun(load_kg=900), 1, limit=172)


def sealed(folder, name, made, *, rig=RIG_TOML, test=TEST_TOML, chart="", **header):
    """Seals a made test into a folder."""
    blocks = [
        Block(channel=c, t_ns=(t_s * 1e9).astype(np.int64), value=raw.astype(np.float64))
        for c, (t_s, raw) in sorted(made.signals(rates_hz=_RATES_HZ).items())
    ]
    about = RunHeader(
        run_id=name,
        started_utc="2026-05-04T09:30:00Z",
        software="tests",
        rig_toml=rig,
        test_toml=test,
        load_chart_csv=chart,
        **header,
    )
    path = folder / f"{name}.parquet"
    write_sealed(path, about, blocks)
    return path


def with_chart(test=TEST_TOML):
    """A test file whose crane has a chart."""
    return test.replace("[crane]\n", '[crane]\nid = "Bench crane"\nchart = "chart.csv"\n')


def pages_of(pdf):
    """The text of each page on one line, as a reader reads it: without marks for line breaks."""
    return [plain(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def plain(text):
    """Words with single spaces between them."""
    return re.sub(r"\s+", " ", text.replace("\u200b", "").replace("\u00a0", " ")).strip()


def squeezed(text):
    """Text without any space, for words that were broken over lines."""
    return re.sub(r"[\s\u200b\u2068\u2069]+", "", text)


def answered(server, words):
    """What a server answers to a request for a sheet: status, body and headers."""
    told = []

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message):
        told.append(message)

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/sheet",
        "raw_path": b"/sheet",
        "root_path": "",
        "query_string": words.encode(),
        "headers": [(b"host", b"127.0.0.1:8000")],
        "server": ("127.0.0.1", 8000),
    }
    asyncio.run(server(scope, receive, send))
    start, *rest = told
    headers = {name.decode(): value.decode() for name, value in start["headers"]}
    return start["status"], b"".join(m.get("body", b"") for m in rest), headers


def letters_outside(pdf, *, margin_pt):
    """Letters that stand nearer to a page's edge than so many points, as (page, letter)."""
    found = []
    document = pypdfium2.PdfDocument(pdf)
    for number, page in enumerate(document, start=1):
        width, height = page.get_size()
        words = page.get_textpage()
        for index in range(words.count_chars()):
            left, bottom, right, top = words.get_charbox(index)
            if right - left <= 0:
                continue
            whole = min(left, bottom) >= margin_pt and right <= width - margin_pt
            if not (whole and top <= height - margin_pt):
                found.append((number, words.get_text_range(index, 1)))
    return found


def stands_below(pdf, words, others):
    """Whether every line with some words stands below the first with others, on one page."""
    for page in pypdfium2.PdfDocument(pdf):
        text = page.get_textpage()
        above = text.search(others).get_next()
        if above:
            limit = text.get_charbox(above[0])[1]
            found, tops = text.search(words), []
            while hit := found.get_next():
                tops.append(text.get_charbox(hit[0])[3])
            return bool(tops) and max(tops) < limit
    return False


def fonts_of(pdf):
    """Every font of a document by name, and whether it lies in the document."""
    reader, fonts = pypdf.PdfReader(io.BytesIO(pdf)), {}

    def look(resources):
        for font in resources.get("/Font", {}).values():
            told = font.get_object()
            inner = told["/DescendantFonts"][0].get_object() if "/DescendantFonts" in told else told
            descriptor = inner["/FontDescriptor"].get_object()
            inside = any(f"/FontFile{n}" in descriptor for n in ("", "2", "3"))
            fonts[told["/BaseFont"]] = inside and "/ToUnicode" in told
        for form in resources.get("/XObject", {}).values():
            if "/Resources" in form.get_object():
                look(form.get_object()["/Resources"])

    for page in reader.pages:
        look(page["/Resources"])
    return fonts

"""The catalogue of many runs: built from what changed, and asked."""

from __future__ import annotations

import hashlib
import json
import random
import shutil

import pyarrow as pa
import pytest

from dashboard.catalogue import analysing
from dashboard.catalogue.bucket import Bucket
from dashboard.catalogue.columns import RUNS, SECTORS, TABLES
from dashboard.catalogue.places import Folder, catalogue_place, place_of
from dashboard.catalogue.queries import Catalogue, Filters, catalogue_stamp, open_catalogue
from dashboard.catalogue.snapshot import POINTER, read_snapshot, write_snapshot
from dashboard.results import analyse
from logger.errors import BadInput
from logger.recording.corrections import sidecar_path
from logger.recording.run import open_run
from tests.made_fleet import PLAN, Analyst, build_here, small_fleet


@pytest.fixture(autouse=True)
def results_known_once(monkeypatch):
    """Each run is analysed once for all of these tests: what is analysed when is the question."""

    def known(run, **how):
        key = (run.header.sha256, bool(run.corrections))
        if key not in RESULTS:
            RESULTS[key] = analyse(run, **how)
        return RESULTS[key]

    monkeypatch.setattr(analysing, "analyse", known)


RESULTS = {}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A fleet with its catalogue; not to be changed."""
    return small_fleet(tmp_path_factory)


@pytest.fixture
def fleet(whole, tmp_path):
    """A copy of it that a test may change."""
    return shutil.copytree(whole, tmp_path / "fleet")


def bytes_of(catalogue):
    """The files that a catalogue is made of, by name; they are what their names say."""
    place = place_of(catalogue)
    pointer = json.loads(place.get(POINTER))
    files = {t["file"]: place.get(t["file"]) for t in pointer["tables"].values()}
    for table in pointer["tables"].values():
        assert hashlib.sha256(files[table["file"]]).hexdigest() == table["sha256"]
    return files | {POINTER: place.get(POINTER)}


def runs_below(folder):
    return sorted(p for p in folder.rglob("*.parquet") if ".slewtrace" not in p.parts)


def test_rows_hold_what_the_results_say(whole):
    """A run's row and its sectors say what its result says, on the left side too."""
    catalogue = open_catalogue(whole)
    sectors = catalogue.sectors().to_pylist()
    for path in runs_below(whole):
        result = analyse(open_run(path))
        row = catalogue.find(result["run_id"])
        left = next(s for s in result["sweeps"] if s["side"] == "left")
        lift = left["first_lift"]
        of_run = [s for s in sectors if s["run_id"] == result["run_id"]]

        assert row["sha256"] == result["recording_sha256"]
        assert row["path"] == path.relative_to(whole).as_posix()
        assert row["left_reached_deg"] == -left["reached_deg"]
        assert row["left_lift_deg"] == (lift and -lift["estimate_deg"])
        if lift is not None:
            assert row["left_lift_low_deg"] == -lift["interval_deg"][1]
            assert row["left_lift_low_deg"] < row["left_lift_deg"] < row["left_lift_high_deg"]
        assert row["required_moment_nm"] == result["required"]["moment_nm"]
        assert row["cautions"] == sum(f["severity"] == "caution" for f in result["findings"])
        assert {(s["side"], s["from_deg"], s["percent"], s["basis"]) for s in of_run} == {
            (s["side"], s["from_deg"], s["percent"], s["basis"]) for s in result["sectors"]
        }


def test_nothing_changed_nothing_opened(fleet):
    """Where no file changed none is opened, and nothing is written."""
    before, analyst = catalogue_stamp(fleet), Analyst()
    built = build_here(fleet, analyst=analyst)

    assert (analyst.looked_at, built.written, built.runs) == ([], False, PLAN.runs)
    assert catalogue_stamp(fleet) == before


def test_only_what_changed_is_analysed(fleet, tmp_path):
    """Touched and moved runs are not analysed again; the result is that of a first building."""
    touched, moved, removed, new = runs_below(fleet)[:4]
    aside = tmp_path / new.name
    new.rename(aside)
    build_here(fleet)
    touched.touch()
    moved.rename(fleet / "moved.parquet")
    removed.unlink()
    aside.rename(new)
    analyst = Analyst()
    built = build_here(fleet, analyst=analyst)
    build_here(fleet, tmp_path / "anew")

    assert sorted(analyst.looked_at) == sorted([touched.name, "moved.parquet", new.name])
    assert analyst.analysed == [new.name]
    assert (built.analysed, built.runs) == (1, PLAN.runs - 1)
    assert bytes_of(tmp_path / "anew") == bytes_of(fleet / ".slewtrace/catalogue")


def test_any_order_gives_the_same_bytes(fleet, tmp_path, whole):
    """The order in which runs are analysed leaves no trace in the catalogue."""

    def shuffled(tasks):
        return random.Random(3).sample(tasks, len(tasks))

    build_here(fleet, tmp_path / "other", analyst=Analyst(order=shuffled))
    own = bytes_of(whole / ".slewtrace/catalogue")

    # Times of copied files are kept by copytree, so that even the stamps agree.
    assert bytes_of(tmp_path / "other") == own


def test_broken_off_it_goes_on(fleet, tmp_path):
    """What was analysed before a break is kept, said to be part, and not done again."""
    place = tmp_path / "part"
    with pytest.raises(KeyboardInterrupt):
        build_here(fleet, place, analyst=Analyst(gives_up_after=3))
    part, rest = Catalogue(place_of(place)), Analyst()
    build_here(fleet, place, analyst=rest)

    assert (part.count(), part.waiting) == (3, PLAN.runs - 3)
    assert len(rest.analysed) == PLAN.runs - 3
    assert bytes_of(place) == bytes_of(fleet / ".slewtrace/catalogue")


def flipped(data, place):
    return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]


def test_a_bad_file_is_set_aside(fleet, monkeypatch):
    """A bad file is set aside with a reason, left alone until it changes, counts once mended."""
    monkeypatch.setattr(analysing, "analyse", analyse)
    good = runs_below(fleet)[0]
    data = good.read_bytes()
    bad = {
        "empty.parquet": b"",
        "text.parquet": b"not a run at all",
        "short.parquet": data[: len(data) // 2],
        "flipped.parquet": flipped(data, 200),
        "footer.parquet": flipped(data, len(data) - 100),
    }
    good.unlink()
    for name, broken in bad.items():
        (fleet / name).write_bytes(broken)
    first, again, mended = Analyst(), Analyst(), Analyst()
    build_here(fleet, analyst=first)
    aside = {a["path"]: a["reason"] for a in open_catalogue(fleet).set_aside().to_pylist()}
    build_here(fleet, analyst=again)
    (fleet / "short.parquet").write_bytes(data)
    built = build_here(fleet, analyst=mended)

    assert aside.keys() == bad.keys()
    assert all(reason.isprintable() and str(fleet) not in reason for reason in aside.values())
    assert again.looked_at == []
    assert mended.looked_at == ["short.parquet"]
    assert (built.runs, len(built.set_aside)) == (PLAN.runs, len(bad) - 1)


def test_a_fault_of_our_own_stops_nothing(fleet, monkeypatch):
    """A run on which the analysis itself fails is set aside like any other."""
    culprit = open_run(runs_below(fleet)[2]).header.run_id

    def failing(run, **how):
        if run.header.run_id == culprit:
            raise ZeroDivisionError("no\nway")
        return known(run, **how)

    known = analysing.analyse
    monkeypatch.setattr(analysing, "analyse", failing)
    built = build_here(fleet, fleet / "other")
    aside = Catalogue(place_of(fleet / "other")).set_aside().to_pylist()

    assert (built.runs, len(built.set_aside)) == (PLAN.runs - 1, 1)
    assert aside[0]["reason"] == "can't be analysed (ZeroDivisionError: no way)"


def test_another_method_does_all_again(fleet):
    """Rows of an older method are never mixed with those of a newer one."""
    analyst = Analyst()
    build_here(fleet, analyst=analyst, method_version="5")

    assert len(analyst.analysed) == PLAN.runs
    assert open_catalogue(fleet).method_version == "5"


def test_one_run_counts_once(fleet):
    """Of two files with one run the first by path counts; the other does when that has gone."""
    first = runs_below(fleet)[0]
    copy = shutil.copy(first, fleet / "zz.parquet")
    build_here(fleet)
    aside = open_catalogue(fleet).set_aside().to_pylist()
    again = Analyst()
    build_here(fleet, analyst=again)
    first.unlink()
    analyst = Analyst()
    built = build_here(fleet, analyst=analyst)

    assert [a["path"] for a in aside] == [copy.name]
    assert first.relative_to(fleet).as_posix() in aside[0]["reason"]
    assert (again.looked_at, analyst.analysed) == ([], [])
    assert (built.runs, built.set_aside) == (PLAN.runs, {})


def test_corrections_make_another_row(fleet):
    """Corrections beside a run have it looked at again; unusable ones set it aside."""
    run = runs_below(fleet)[0]
    sidecar_path(run).write_text("{}")
    analyst = Analyst()
    built = build_here(fleet, analyst=analyst)
    sidecar_path(run).unlink()
    mended = build_here(fleet)

    assert analyst.looked_at == [run.name]
    assert (len(built.set_aside), mended.set_aside, mended.runs) == (1, {}, PLAN.runs)


def test_a_bucket_gives_the_same_rows(whole):
    """Runs in a bucket give the rows that the folder gives, and no work the second time."""
    bucket = Bucket("memory://fleet/of/trucks")
    for path in runs_below(whole):
        bucket.put(path.relative_to(whole).as_posix(), path.read_bytes())
    built, again = build_here(bucket.words), Analyst()
    build_here(bucket.words, analyst=again)
    tables = {n: read_snapshot(catalogue_place(whole)).tables[n] for n in ("runs", "sectors")}
    own = read_snapshot(catalogue_place(bucket.words)).tables

    assert (built.runs, again.looked_at) == (PLAN.runs, [])
    assert all(own[name].equals(table) for name, table in tables.items())


def test_links_and_dotted_names_are_passed_by(fleet):
    """A link in a circle ends no listing, and what begins with a dot is no run."""
    (fleet / "circle").symlink_to(fleet)
    shutil.copy(runs_below(fleet)[0], fleet / ".hidden.parquet")

    assert len(Folder(fleet).runs()) == PLAN.runs


@pytest.mark.parametrize(
    ("pointer", "words"),
    [
        (b"{", "is damaged"),
        (b'{"format": "slewtrace.catalogue/9"}', "slewtrace.catalogue/9"),
        (b'{"format": "slewtrace.catalogue/1", "tables": {"runs": {"file": "../x"}}}', "without"),
        (None, "holds no catalogue"),
    ],
)
def test_a_damaged_catalogue_is_one_line(tmp_path, pointer, words):
    """A catalogue that can't be used is one line that says what would do."""
    if pointer is not None:
        (tmp_path / POINTER).write_bytes(pointer)
    with pytest.raises(BadInput, match=words) as caught:
        Catalogue(Folder(tmp_path))

    assert "slewtrace fleet" in caught.value.would_do


HOSTILE = ["x'; DROP TABLE runs; --", '") OR 1=1 --', "<b>بار</b>", "\u202etruck", "a" * 4000, "%"]


def made_rows(count):
    """Rows of runs as any file may name them, by seed."""
    rng = random.Random(7)
    for number in range(count):
        row = dict.fromkeys(RUNS.names)
        row |= {f.name: "" for f in RUNS if f.type == pa.string() and not f.nullable}
        row |= {f.name: 0 for f in RUNS if f.type in {pa.int64(), pa.float64()} and not f.nullable}
        row |= {
            "run_id": f"r{number}",
            "truck": rng.choice([*HOSTILE, "Truck 1"]),
            "build": rng.choice(["", "b'1", "b2"]),
            "kit": rng.choice(["k1", "k2"]),
            "started_utc": rng.choice([None, f"2026-05-{rng.randint(1, 28):02d}T09:30:00.000000Z"]),
            "right_lift_deg": rng.choice([None, rng.uniform(60, 90)]),
        }
        yield row


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A catalogue of hostile names, with its rows."""
    rows = list(made_rows(300))
    place = Folder(tmp_path_factory.mktemp("hostile"))
    tables = {name: schema.empty_table() for name, schema in TABLES.items()}
    tables["runs"] = pa.Table.from_pylist(rows, RUNS)
    sectors = [
        {**{n: r.get(n) for n in SECTORS.names}, "side": "right", "basis": "proved"} for r in rows
    ]
    sectors = [s | {"from_deg": 0.0, "to_deg": 9.0, "percent": 100.0} for s in sectors]
    tables["sectors"] = pa.Table.from_pylist(sectors, SECTORS)
    write_snapshot(place, tables, method_version="3")
    return Catalogue(place), rows


@pytest.mark.parametrize(
    "asked",
    [
        *(Filters(trucks=(name,)) for name in HOSTILE),
        Filters(trucks=("no such",)),
        Filters(builds=("",), kits=("k1",)),
        Filters(builds=("b'1", "b2"), from_utc="2026-05-10"),
        Filters(from_utc="2026-05-03", until_utc="2026-05-12T09:30:00.000000Z"),
        Filters(),
    ],
)
def test_names_are_values(hostile, asked):
    """Filters find what a plain loop over the rows finds, whatever the names hold."""
    catalogue, rows = hostile
    wanted = [
        r
        for r in rows
        if (not asked.trucks or r["truck"] in asked.trucks)
        and (not asked.builds or r["build"] in asked.builds)
        and (not asked.kits or r["kit"] in asked.kits)
        and (asked.from_utc is None or (r["started_utc"] or "") >= asked.from_utc)
        and (asked.until_utc is None or (r["started_utc"] or "~") < asked.until_utc)
    ]
    found = catalogue.runs(asked)
    bins = catalogue.histogram("right_lift_deg", asked, width=5.0)

    assert sorted(found.column("run_id").to_pylist()) == sorted(r["run_id"] for r in wanted)
    assert catalogue.count(asked) == catalogue.sectors(asked).num_rows == len(wanted)
    assert sum(n for _, n in bins) == sum(r["right_lift_deg"] is not None for r in wanted)
    assert dict(catalogue.distinct("truck", asked)) == {
        t: sum(r["truck"] == t for r in wanted) for t in {r["truck"] for r in wanted}
    }


def test_pages_of_rows_follow_each_other(hostile):
    """Parts of the list, put together, are the list, the newest first and unknown starts last."""
    catalogue, _ = hostile
    parts = [
        catalogue.runs(columns=["run_id", "started_utc"], newest_first=True, limit=70, offset=n)
        for n in range(0, 300, 70)
    ]
    listed = pa.concat_tables(parts).to_pylist()
    known = [r["started_utc"] for r in listed if r["started_utc"] is not None]

    assert len({r["run_id"] for r in listed}) == 300
    assert known == sorted(known, reverse=True)
    assert all(r["started_utc"] is None for r in listed[len(known) :])


@pytest.mark.parametrize("column", ["truck; DROP TABLE runs", "(SELECT 1)", "started"])
def test_columns_are_ours_alone(hostile, column):
    """A column's name that is not one of ours is refused before it reaches the database."""
    catalogue, _ = hostile
    with pytest.raises(ValueError, match="no column"):
        catalogue.runs(columns=[column])
    with pytest.raises(ValueError, match="told apart"):
        catalogue.distinct(column)
    with pytest.raises(ValueError, match="no number"):
        catalogue.histogram(column, width=1.0)


def test_the_database_reaches_no_file(hostile, tmp_path):
    """Even a statement that someone slipped in could read no file and change no setting."""
    catalogue, _ = hostile
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")

    with pytest.raises(Exception, match=r"(?i)disabled|permission"):
        catalogue._rows("SELECT * FROM read_csv(?)", [str(secret)])
    with pytest.raises(Exception, match=r"(?i)locked"):
        catalogue._rows("SET enable_external_access = true", [])


def test_a_reader_keeps_its_catalogue(fleet):
    """A catalogue that is open answers as it stood, whatever is written meanwhile."""
    opened = open_catalogue(fleet)
    runs_below(fleet)[0].unlink()
    build_here(fleet)

    assert opened.count() == PLAN.runs
    assert open_catalogue(fleet).count() == PLAN.runs - 1
    assert opened.stamp != catalogue_stamp(fleet)

"""A site's own broker: what the generated configuration lets in, and what it refuses."""

from __future__ import annotations

import copy
import json
import re
import shutil
import signal
import socket
import stat
import subprocess
import time

import pytest

from logger.access.password_hash import password_line
from logger.errors import BadInput
from logger.live.broker.configuration import CONFIGURATION, PASSWORDS, RULES, rules_text
from logger.live.broker.logins import logins_of, sources_at_broker
from logger.live.broker.making import secret_file
from logger.live.broker.proof import prove_device, prove_nobody, prove_source
from logger.readings.rig_file import read_rig
from logger.recording.run import open_run
from logger.sources.anonymous_login import anonymous_login_refused
from logger.sources.broker_probe import probing
from tests.broker import free_port
from tests.made_run import TEST_TOML
from tests.test_record import Recording, pack_of
from tests.warm_process import COMMAND, run_warm

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
TOPICS = {"mast": "rig/bay-2/mast", "wheels": "rig/bay-2/wheels"}


def rig_toml(url, keys=""):
    """Two devices at a broker, and a place where the recorder tells others."""
    sources = "".join(
        f'[[source]]\nid = "{s}"\nkind = "mqtt"\nurl = "{url}"\ntopic = "{t}"\n{keys}\n'
        for s, t in TOPICS.items()
    )
    wheels = "".join(
        f'[[channel]]\nid = "wheel/{w}"\nsource = "wheels"\nname = "{w}"\nclosed_when = true\n'
        for w in WHEELS
    )
    return (
        f'[rig]\nid = "bay-2"\n{sources}{wheels}'
        '[[channel]]\nid = "slew"\nsource = "mast"\nname = "enc"\nunit = "deg"\n'
        f'[republish]\nurl = "{url}"\ntopic = "lab/bay-2"\n{keys}\n'
    )


class Secured:
    """A mosquitto that runs what the command wrote.

    Attributes:
        folder: the broker's.
        rig: path of a rig file with the printed keys.
        told: what the command said.
    """

    def __init__(self, folder):
        self.port = str(free_port())
        plain = folder / "plain.toml"
        plain.write_text(rig_toml(f"mqtt://127.0.0.1:{self.port}"))
        self.folder = folder / "broker"
        done = run_warm(
            [
                *(*COMMAND, "broker", "--rig", plain, "-o", self.folder, "--json"),
                *("--port", self.port, "--run-as", "root"),
            ],
            capture_output=True,
            text=True,
            check=True,
        )
        self.told = json.loads(done.stdout)
        self.rig = folder / "rig.toml"
        self.rig.write_text(
            rig_toml("URL", "KEYS")
            .replace('url = "URL"\n', "")
            .replace("KEYS", "\n".join(self.told["rig_keys"]))
        )
        self._log = folder / "broker.log"
        self._process = None

    def start(self, config=None):
        """Starts it, with another configuration where given, and waits until it listens."""
        port = int(self.port)
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", str(config or self.folder / CONFIGURATION)],
                stdout=log,
                stderr=log,
            )
        deadline = time.monotonic() + 15
        while time.monotonic() < deadline:
            assert self._process.poll() is None, self._log.read_text()
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return self
            time.sleep(0.02)
        raise AssertionError(self._log.read_text())

    def twin(self, folder, *guard):
        """Another broker of the same files, started with one guard taken away."""
        twin = copy.copy(self)
        twin._log = folder / "broker.log"
        port, state = str(free_port()), folder / "state"
        state.mkdir()
        text = (self.folder / CONFIGURATION).read_text().replace(*guard)
        text = text.replace(self.port, port).replace(f"{self.folder / 'state'}", f"{state}")
        (folder / "twin.conf").write_text(text)
        twin.port, twin.rig = port, folder / "rig.toml"
        twin.rig.write_text(self.rig.read_text().replace(self.port, port))
        return twin.start(folder / "twin.conf")

    def stop(self):
        """Ends it."""
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(10)

    @property
    def read_rig(self):
        """The rig, parsed."""
        return read_rig(self.rig.read_text())

    def source(self, source_id):
        """A source's table."""
        return next(s for s in self.read_rig.source if s.id == source_id)

    def password(self, login):
        """A login's password."""
        return secret_file(self.folder, login).read_text().strip()

    @property
    def secrets(self):
        """Every secret in the folder."""
        return [p.read_text().strip() for p in (self.folder / "secrets").iterdir()]


@pytest.fixture(scope="module")
def secured(tmp_path_factory):
    """The generated broker, running."""
    broker = Secured(tmp_path_factory.mktemp("secured")).start()
    yield broker
    broker.stop()


def test_files_have_the_right_modes_and_say_what_they_do(secured):
    """Secrets, keys, hashes and rules are their owner's alone; the rest is for all to read."""
    folder = secured.folder
    modes = {
        p.relative_to(folder).as_posix(): stat.S_IMODE(p.stat().st_mode)
        for p in folder.rglob("*")
        if p.is_file() and "state" not in p.parts
    }

    for name, mode in modes.items():
        assert mode == (0o644 if name in ("ca.crt", "server.crt", CONFIGURATION) else 0o600), name
    text = (folder / CONFIGURATION).read_text()
    for line in (
        "allow_anonymous false",
        "max_queued_messages 0",
        "tls_version tlsv1.2",
        "persistence true",
        f"acl_file {folder / RULES}",
    ):
        assert line in text.splitlines()
    rules = (folder / RULES).read_text()
    assert "user device-mast\ntopic write rig/bay-2/mast\n" in rules
    assert "user recorder\ntopic write lab/bay-2\ntopic read rig/bay-2/mast\n" in rules
    assert "user viewer\ntopic read lab/bay-2\n" in rules


def test_no_secret_is_printed_or_lies_outside_its_file(secured):
    """The command's answer, configuration, rules, hashes and rig file hold none of them."""
    seen = (
        json.dumps(secured.told)
        + secured.rig.read_text()
        + "".join((secured.folder / name).read_text() for name in (CONFIGURATION, RULES, PASSWORDS))
    )

    assert len(set(secured.secrets)) == 4
    assert all(len(s) == 32 for s in secured.secrets)
    assert not [s for s in secured.secrets if s in seen]


def test_everything_wrong_is_refused_and_what_is_right_works(secured):
    """Each line of the proof holds: strangers, wrong passwords, wrong topics, foreign readings."""
    rig = secured.read_rig
    proofs = [prove_nobody(refused=anonymous_login_refused(secured.source("mast")))]
    proofs += prove_source(secured.source("mast"), {})
    proofs += prove_device(secured.source("mast"), rig, secured.folder)

    assert [p.what for p in proofs if p.holds is not True] == []
    assert len(proofs) >= 10
    for words in (
        "a login without a name is refused",
        "a wrong password of 'recorder' is refused",
        "'recorder' reads and may not publish on 'rig/bay-2/mast'",
        "'device-mast' publishes on its own topic 'rig/bay-2/mast'",
        "'device-mast' may not publish on 'rig/bay-2/wheels'",
        "'device-mast' may not publish on 'lab/bay-2'",
        "'device-mast' may not read 'rig/bay-2/wheels'",
    ):
        assert words in [p.what for p in proofs]


@pytest.mark.parametrize(
    ("guard", "lost"),
    [
        (
            ("allow_anonymous false", "allow_anonymous true"),
            {"a login without a name is refused"},
        ),
        (
            ("acl_file ", "# acl_file "),
            {
                "'recorder' reads and may not publish on 'rig/bay-2/mast'",
                "'recorder' may not publish on a topic that is nobody's",
                "'recorder' may not read beyond the sources",
                "'device-mast' may not publish on 'rig/bay-2/wheels'",
                "'device-mast' may not publish on 'lab/bay-2'",
                "'device-mast' may not read 'rig/bay-2/mast'",
                "'device-mast' may not read 'rig/bay-2/wheels'",
            },
        ),
        (
            ("allow_anonymous false\npassword_file ", "allow_anonymous true\n# password_file "),
            {
                "a wrong password of 'recorder' is refused",
                "a wrong password of 'device-mast' is refused",
            },
        ),
    ],
)
def test_each_guard_that_is_taken_away_is_missed(secured, tmp_path, guard, lost):
    """Without it, those lines of the proof do not hold which it is for."""
    broker = secured.twin(tmp_path, *guard)
    try:
        source = broker.source("mast")
        proofs = [prove_nobody(refused=anonymous_login_refused(source))]
        proofs += prove_source(source, {})
        proofs += prove_device(source, broker.read_rig, broker.folder)
    finally:
        broker.stop()

    assert lost <= {p.what for p in proofs if p.holds is False}


def test_the_recorder_records_through_tls_and_keeps_no_secret(secured, tmp_path):
    """A device's packs come by its login; no secret is in journal, sealed run, events or log."""
    test = tmp_path / "test.toml"
    test.write_text(TEST_TOML)
    recording = Recording("--rig", secured.rig, "--test", test, "-o", tmp_path / "runs")
    try:
        started = recording.wait_for(lambda e: e["event"] == "recording")
        for source_id, names in (("mast", ("enc",)), ("wheels", WHEELS)):
            login = f"device-{source_id}"
            with probing(
                secured.source(source_id), user=login, password=secured.password(login)
            ) as device:
                assert device.comes_in()
                for seq in range(5):
                    records = [
                        {"n": n, "v": 7} if n == "enc" else {"n": n, "vb": True} for n in names
                    ]
                    pack = pack_of(records, seq=seq, up=1 + seq / 10, crc=False)
                    assert device.may_publish(TOPICS[source_id], pack)
        time.sleep(0.5)
        kept = [p.read_bytes() for p in (tmp_path / "runs").iterdir()]
        path = recording.end()["path"]
        said = json.dumps(recording.events).encode() + recording.process.stderr.read().encode()
    finally:
        recording.close()
    run = open_run(path)
    kept += [p.read_bytes() for p in (tmp_path / "runs").iterdir()]
    kept += [said, run.header.rig_toml.encode(), json.dumps(run.header.to_json()).encode()]

    assert started["run_id"]
    assert run.header.samples["slew"] == 5
    assert run.header.samples["wheel/rear_left"] == 5
    assert "password_file" in run.header.rig_toml
    assert not [s for s in secured.secrets for data in kept if s.encode() in data]


def test_check_tells_the_proof_line_by_line(secured, tmp_path):
    """Each try is a line with its sign; the report holds them; no secret is in either."""
    report = tmp_path / "report.json"
    done = run_warm(
        [
            *(*COMMAND, "check", "--rig", secured.rig, "--broker", secured.folder),
            *("--for", "0.5 s", "--no-guided", "-o", report),
        ],
        capture_output=True,
        text=True,
    )
    lines = [x for x in done.stdout.splitlines() if ", broker: " in x]
    proofs = [p for s in json.loads(report.read_text())["sources"] for p in s["broker_proofs"]]

    assert "mast, broker: + a login without a name is refused" in lines
    assert "wheels, broker: + 'device-wheels' may not read 'rig/bay-2/mast'" in lines
    assert all(re.match(r"(mast|wheels), broker: \+ ", line) for line in lines), lines
    assert len(lines) == len(proofs) >= 20
    assert not [s for s in secured.secrets if s in done.stdout + done.stderr + report.read_text()]


def test_a_secret_file_that_others_may_read_stops_the_start(secured, tmp_path):
    """One line names the file and the mode that mends it, exit code 2."""
    rig = tmp_path / "rig.toml"
    loose = tmp_path / "loose.password"
    shutil.copy(secret_file(secured.folder, "recorder"), loose)
    loose.chmod(0o644)
    rig.write_text(
        secured.rig.read_text().replace(str(secret_file(secured.folder, "recorder")), str(loose))
    )
    test = tmp_path / "test.toml"
    test.write_text(TEST_TOML)
    done = run_warm(
        [*COMMAND, "record", "--rig", rig, "--test", test, "-o", tmp_path / "runs"],
        capture_output=True,
        text=True,
    )

    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith(f"run: chmod 600 {loose}")


def command(monkeypatch, capsys, *words):
    """The command in this process: (exit code, standard output, last line of standard error)."""
    from dashboard.cli import main

    monkeypatch.setattr("sys.argv", ["slewtrace", "broker", *map(str, words)])
    try:
        main()
        code = 0
    except SystemExit as ended:
        code = ended.code or 0
    said = capsys.readouterr()
    return code, said.out, (said.err.splitlines() or [""])[-1]


def test_the_command_says_what_to_do_and_overwrites_nothing(tmp_path, monkeypatch, capsys):
    """Start, rig keys, logins, proof; a second time is refused; a new certificate can be had."""
    monkeypatch.setenv("SITE_PASSWORD", "a-site-password-of-its-own")
    rig = tmp_path / "rig.toml"
    rig.write_text(rig_toml("mqtts://bay-2.local"))
    out = tmp_path / "broker"
    words = ("--rig", rig, "-o", out, "--password-env", "recorder=SITE_PASSWORD")
    code, told, _ = command(monkeypatch, capsys, *words)
    kept = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    again = command(monkeypatch, capsys, *words)
    unchanged = all(p.read_bytes() == data for p, data in kept.items())
    renewed = command(monkeypatch, capsys, "--rig", rig, "-o", out, "--renew", "--host", "b.test")

    assert code == 0
    for line in (
        f"   mosquitto -c {out / CONFIGURATION}",
        '   url = "mqtts://bay-2.local:8883"',
        '   password_env = "SITE_PASSWORD"',
        f'   ca = "{out / "ca.crt"}"',
        f"4. Prove it: slewtrace check --rig RIG --broker {out}",
    ):
        assert line in told.splitlines()
    assert not secret_file(out, "recorder").exists()
    assert "a-site-password-of-its-own" not in told
    assert again[0] == 2
    assert "is never overwritten unasked" in again[2]
    assert unchanged
    assert renewed[0] == 0
    assert "for b.test, localhost, 127.0.0.1, valid until" in renewed[1]
    assert kept[out / "ca.crt"] == (out / "ca.crt").read_bytes()


@pytest.mark.parametrize(
    ("url", "words", "why"),
    [
        ("mqtts://h", ["--host", "two words"], "is no name or address of a computer"),
        ("mqtts://h", ["--port", "70000"], "--port: 70000 is no port"),
        ("mqtts://h", ["--run-as", "a\nb"], "--run-as: "),
        ("mqtts://h", ["--password-env", "recorder"], "write it like LOGIN=VARIABLE"),
        ("mqtts://h", ["--password-env", "recorder=NOT_SET"], "has no variable 'NOT_SET'"),
        ("mqtts://h", ["--password-env", "stranger=PATH"], "there is no login 'stranger'"),
        ("mqtts://h", ["--password-env", "recorder=SHORT"], "has 5 characters; give 12 or more"),
        ("mqtts://h", ["--renew"], "can't be read as a certificate"),
    ],
)
def test_what_will_not_do_is_one_line(tmp_path, monkeypatch, capsys, *, url, words, why):
    """Exit code 2, and no file is made."""
    monkeypatch.setenv("SHORT", "short")
    rig = tmp_path / "rig.toml"
    rig.write_text(rig_toml(url))
    code, told, said = command(monkeypatch, capsys, "--rig", rig, "-o", tmp_path / "b", *words)

    assert (code, told) == (2, "")
    assert why in said
    assert not [p for p in (tmp_path / "b").rglob("*") if p.is_file()]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (('kind = "mqtt"', 'kind = "serial"\nport = "x"'), "needs no broker"),
        (('"mqtt://one"', '"mqtt://two"'), "2 brokers: one:1883, two:1883"),
        (('topic = "rig/bay-2/mast"', 'topic = "a\\nuser x"'), "can't stand in a broker's rules"),
        (('topic = "rig/bay-2/mast"', 'topic = "$SYS/#"'), "can't stand in a broker's rules"),
    ],
)
def test_a_rig_that_no_rules_can_be_written_for_is_refused(change, why):
    """No mqtt source, several brokers, and topics that would write rules of their own."""
    text = rig_toml("mqtt://one")
    count = -1 if "serial" in change[1] else 1
    text = text.replace(*change, count)
    if "serial" in change[1]:
        text = re.sub(r"topic = \"rig.*\n|url = \"mqtt://one\"\n(?=topic = \"rig)", "", text)

    with pytest.raises(BadInput, match=re.escape(why)):
        sources_at_broker(read_rig(text), name="rig.toml")


def test_rules_name_each_login_once_and_no_more_than_it_needs():
    """Without a place to tell others there is no viewer, and the recorder writes nothing."""
    text = rig_toml("mqtt://one").split("[republish]")[0]
    logins = logins_of(read_rig(text))

    assert [x.name for x in logins] == ["recorder", "device-mast", "device-wheels"]
    assert logins[0].writes == ()
    assert rules_text("r", logins).count("\nuser ") == 3


@pytest.mark.parametrize(
    ("user", "password"), [("a:b", "x" * 12), ("a\nb", "x" * 12), ("", "x" * 12), ("a", "x" * 11)]
)
def test_a_line_of_a_password_file_can_not_be_broken(user, password):
    """Names that would end the line, and short passwords, are refused without telling them."""
    with pytest.raises(BadInput) as caught:
        password_line(user, password)

    assert password not in str(caught.value)

"""Opening the dashboard to others: what it takes, and that nothing stands open without it."""

from __future__ import annotations

import io
import ipaddress
import os
import re
import signal
import ssl
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from dashboard.access.opening import Asked, read_opening, read_place
from dashboard.access.tls import given_tls, own_tls
from dashboard.access.tries import _place
from dashboard.access.visit import Role
from dashboard.serving import _config
from logger.access.certificate import make_authority
from logger.errors import BadInput
from tests.opened import PASSWORDS, QUICK, Visitor
from tests.test_cli import slewtrace
from tests.warm_process import COMMAND, WarmProcess

NOW = datetime(2026, 11, 26, tzinfo=UTC)
ANYWHERE = "0.0.0.0"  # noqa: S104 - nothing listens there in these tests
LISTEN = ("--listen", "127.0.0.1:0")


def make_pair(folder):
    """``server.crt`` and ``server.key`` as an authority elsewhere makes them, with a star."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "yard")])
    now = datetime.now(UTC)
    names = [x509.DNSName("*.yard.test"), x509.IPAddress(ipaddress.ip_address("10.1.2.3"))]
    signed = (
        x509.CertificateBuilder(name, name, key.public_key(), 1, now, now + timedelta(days=90))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / "server.crt").write_bytes(signed.public_bytes(Encoding.PEM))
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (folder / "server.key").write_bytes(pem)


@pytest.fixture
def yard(tmp_path, monkeypatch):
    """A folder of runs, both passwords' files, and a pair of a certificate and its key."""
    monkeypatch.chdir(tmp_path)
    for variable in ("SLEWTRACE_ENGINEER_PASSWORD", "SLEWTRACE_WITNESS_PASSWORD"):
        monkeypatch.delenv(variable, raising=False)
    (tmp_path / "runs").mkdir()
    for role, password in PASSWORDS.items():
        secret = tmp_path / f"{role}.secret"
        secret.write_text(f"{QUICK.hash(password)}\n")
        secret.chmod(0o600)
    make_authority(tmp_path, name="a yard", now_utc=datetime.now(UTC))
    make_pair(tmp_path)
    (tmp_path / "open.secret").write_text("everybody reads this")
    (tmp_path / "open.secret").chmod(0o644)
    (tmp_path / "short.secret").write_text("short")
    (tmp_path / "short.secret").chmod(0o600)
    (tmp_path / "hash.secret").write_text("$argon2id$v=19$m=65536$nothing")
    (tmp_path / "hash.secret").chmod(0o600)
    return tmp_path


ENGINEER = ("--engineer-password-file", "engineer.secret")
OWN = ("--own-certificate", "access")
PAIR = ("--certificate", "server.crt", "--key", "server.key")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "without TLS"),
        (ENGINEER, "add --own-certificate FOLDER"),
        (OWN, "without a password"),
        ((*OWN, "--witness-password-file", "witness.secret"), "without a password"),
        ((*OWN, "--engineer-password-file", "open.secret"), "chmod 600"),
        ((*OWN, "--engineer-password-file", "short.secret"), "at least 12"),
        ((*OWN, "--engineer-password-file", "hash.secret"), "none of Argon2id"),
        ((*OWN, "--engineer-password-file", "missing.secret"), "no secret file"),
        ((*OWN, *ENGINEER, "--witness-password-file", "engineer.secret"), "the engineer's too"),
        ((*OWN, *ENGINEER, "--port", "8000"), "write the port there"),
        ((*ENGINEER, "--certificate", "server.crt"), "only one is given"),
        ((*ENGINEER, "--key", "server.key"), "only one is given"),
        ((*ENGINEER, "--certificate", "server.crt", "--key", "ca.key"), "can't be used as the key"),
        ((*ENGINEER, "--certificate", "ca.key", "--key", "server.key"), "can't be read"),
        ((*ENGINEER, *PAIR, *OWN), "keep one of the two"),
        ((*ENGINEER, *PAIR, "--name", "other.test"), "is not in server.crt"),
        ((*ENGINEER, *OWN, "--name", "no name"), "is no name"),
        ((*ENGINEER, *OWN, "--name", "yard..test"), "'yard..test': is no name"),
        ((*ENGINEER, *OWN, "--proxy", "10.0.0.1"), "add --behind"),
        ((*ENGINEER, "--behind", "http://yard.example"), "over TLS"),
        ((*ENGINEER, "--behind", "https://yard.example/place"), "over TLS"),
        ((*ENGINEER, "--behind", "https://yard.example:x"), "over TLS"),
        (("--behind", "https://yard.example"), "without a password"),
        ((*ENGINEER, "--behind", "https://yard.example", "--proxy", "10.0.0.0/8"), "no single"),
    ],
)
def test_it_does_not_start_unguarded(yard, words, said):
    """Each thing that is missing or wrong is one line that says what would do, and exit code 2."""
    done = slewtrace("serve", "runs", *LISTEN, "--no-open", *words, code=2)

    assert said in done.stderr
    assert done.stderr.count("\n") == 1
    assert not any(password in done.stderr for password in PASSWORDS.values())


def test_it_does_not_start_half_asked_for(yard):
    """What is for a dashboard that others reach needs --listen, and a proxy elsewhere needs TLS."""
    alone = slewtrace("serve", "runs", "--no-open", *ENGINEER, code=2).stderr
    behind = ("--behind", "https://yard.example", *ENGINEER)
    bare = slewtrace("serve", "runs", "--listen", ANYWHERE, "--no-open", *behind, code=2).stderr
    nowhere = slewtrace(
        "serve", "runs", "--listen", "192.0.2.1:8420", "--no-open", *OWN, *ENGINEER, code=2
    ).stderr

    assert "add --listen" in alone
    assert "on 127.0.0.1" in bare
    assert "can't be listened on" in nowhere


def test_it_starts_guarded(yard):
    """Passwords from a file and a variable, a certificate made here: both sign in over TLS."""
    words = [*COMMAND, "serve", "runs", *LISTEN, "--no-open", *OWN, *ENGINEER]
    words += ["--name", "yard.test"]
    env = os.environ | {"SLEWTRACE_WITNESS_PASSWORD": PASSWORDS[Role.WITNESS]}
    process = WarmProcess(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)
    try:
        told = [process.stdout.readline() for _ in range(3)]
        port = int(re.search(r"https://yard\.test:(\d+)/", told[0])[1])
        trust = ssl.create_default_context(cafile="access/ca.crt")
        place = SimpleNamespace(port=port, trust=trust)
        signed_in = [Visitor(place).sign_in(role)[0] for role in Role]
    finally:
        process.send_signal(signal.SIGINT)
        _, heard = process.communicate(timeout=20)

    assert "access/ca.crt" in told[1]
    assert "yard.test" in told[2]
    assert signed_in == [303, 303]
    assert "127.0.0.1: signed in as witness" in heard
    assert process.returncode == 0


def test_a_password_s_file_holds_its_hash(yard, monkeypatch):
    """The command makes it for its owner alone, never over another file; it opens the dashboard."""
    monkeypatch.setattr("sys.stdin", io.StringIO())
    empty = slewtrace("password", "new.secret", code=2).stderr
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORDS[Role.ENGINEER]}\n"))
    slewtrace("password", "new.secret")
    again = slewtrace("password", "new.secret", code=2).stderr
    made = (yard / "new.secret").read_text()
    opening = read_opening(
        asked(own_certificate=yard / "access", engineer=yard / "new.secret"),
        {},
        host_name="yard-pc",
        now_utc=datetime.now(UTC),
    )

    assert "has 0 characters" in empty
    assert made.startswith("$argon2id$")
    assert stat.S_IMODE((yard / "new.secret").stat().st_mode) == 0o600
    assert "never overwritten" in again
    assert opening.accounts.role_of("Engineer ", PASSWORDS[Role.ENGINEER]) is Role.ENGINEER
    assert opening.accounts.role_of("engineer", PASSWORDS[Role.WITNESS]) is None


def asked(*, listen="127.0.0.1", engineer=None, **given):
    """What a person asks for."""
    files = {Role.ENGINEER: engineer, Role.WITNESS: None}
    return Asked(listen=listen, password_files=files, **given)


@pytest.mark.parametrize(
    ("listen", "place"),
    [
        ("192.168.4.20", ("192.168.4.20", None)),
        ("192.168.4.20:8443", ("192.168.4.20", 8443)),
        ("::1", ("::1", None)),
        ("[fd00::20]:8443", ("fd00::20", 8443)),
        ("yard-pc.local:0", ("yard-pc.local", 0)),
    ],
)
def test_addresses_to_listen_on(listen, place):
    """With a port and without, a name or an address of either kind."""
    assert read_place(listen) == place


@pytest.mark.parametrize("listen", ["", ":80", "host:99999", "a b", "https://x", "[::1", "::1:x y"])
def test_no_address_to_listen_on(listen):
    """Anything else is refused with an example."""
    with pytest.raises(BadInput, match="write it like"):
        read_place(listen)


def test_a_given_certificate_says_by_which_names_it_is_reached(yard):
    """A star stands for one part of a name and is no name itself; one that has ended is refused."""
    pair = yard / "server.crt", yard / "server.key"
    usual = given_tls(*pair, names=(), now_utc=datetime.now(UTC))
    named = given_tls(*pair, names=("pc.yard.test",), now_utc=datetime.now(UTC))

    assert usual.reach.names == ("10.1.2.3",)
    assert named.reach.names == ("pc.yard.test",)
    with pytest.raises(BadInput, match="is not in"):
        given_tls(*pair, names=("a.b.yard.test",), now_utc=datetime.now(UTC))
    for off in (timedelta(days=-10), timedelta(days=1000)):
        with pytest.raises(BadInput, match="only; have it made anew"):
            given_tls(*pair, names=(), now_utc=datetime.now(UTC) + off)


def test_a_certificate_made_here_is_kept_while_it_fits(tmp_path):
    """It is made anew for a further name, before it ends, and by another authority; not else."""
    folder = tmp_path / "access"
    hosts = ("192.168.4.20", "fd00::20", "yard-pc")

    def made(*more, now_utc=NOW):
        return own_tls(folder, hosts=(*hosts, *more), now_utc=now_utc)

    first, again, wider = made(), made(), made("yard-pc.local")
    late = made(now_utc=NOW + timedelta(days=800))
    for name in ("ca.crt", "ca.key"):
        (folder / name).unlink()
    other = made(now_utc=NOW + timedelta(days=801))
    prints = [t.certificate.fingerprint for t in (first, again, wider, late, other)]

    assert first.reach.names == ("192.168.4.20", "[fd00::20]", "yard-pc")
    assert prints[0] == prints[1]
    assert len(set(prints)) == 4
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_only_a_named_proxy_s_word_is_taken(yard):
    """The server is told of that one address, and of none where no proxy is named."""
    kept = {"engineer": yard / "engineer.secret"}
    given = {"environment": {}, "host_name": "yard-pc", "now_utc": datetime.now(UTC)}
    behind = read_opening(asked(behind="https://Yard.example:8443/", **kept), **given)
    beyond = read_opening(
        asked(
            listen=f"{ANYWHERE}:8420",
            behind="https://yard.example",
            proxy="10.0.0.2",
            own_certificate=yard / "access",
            **kept,
        ),
        **given,
    )
    alone = read_opening(asked(own_certificate=yard / "access", **kept), **given)

    assert _config(behind) == {
        "server_header": False,
        "proxy_headers": True,
        "forwarded_allow_ips": ["127.0.0.1"],
    }
    assert behind.reach.hosts(8420) == {"yard.example:8443"}
    assert _config(beyond)["forwarded_allow_ips"] == ["10.0.0.2"]
    assert "ssl_certfile" in _config(beyond)
    assert beyond.reach.hosts(8420) == {"yard.example", "yard.example:443"}
    assert _config(alone)["proxy_headers"] is False
    assert alone.reach.names == ("127.0.0.1", "yard-pc", "yard-pc.local")


def test_tries_are_counted_by_what_a_device_can_t_change():
    """An IPv6 address by its network, an IPv4 address as it is, however it is written."""
    assert _place("2001:db8::1") == _place("2001:db8::ffff") != _place("2001:db8:0:1::1")
    assert _place("::ffff:10.0.0.1") == _place("10.0.0.1") == "10.0.0.1"

"""Certificates that clients trust, and secrets that only their owner may read."""

import os
import shutil
import socket
import ssl
import stat
import subprocess
import threading
from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from logger.access.certificate import (
    check_key,
    make_authority,
    make_server_certificate,
    read_authority,
    read_certificate,
)
from logger.access.private_file import write_whole
from logger.access.secret import generate_secret, secret_from, secret_in_file, unchecked
from logger.errors import BadInput, SourceUnavailable
from logger.readings.output_tables import BrokerTopic
from logger.readings.rig_file import Source
from logger.sources.broker_access import password_of

NOW = datetime.now(UTC)


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """An authority and a server's certificate."""
    folder = tmp_path_factory.mktemp("pki")
    authority = make_authority(folder, name="test site", now_utc=NOW)
    server = make_server_certificate(
        authority, folder, hosts=("broker.test", "127.0.0.1", "::1"), now_utc=NOW
    )
    return authority, server


def shaken_hands(authority, server, *, host):
    """Whether a strict client that trusts the authority takes the server by that name."""
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(server.certificate, server.key)
    asking = ssl.create_default_context(cafile=authority.certificate)
    asking.verify_flags |= ssl.VERIFY_X509_STRICT
    near, far = socket.socketpair()
    near.settimeout(10)
    far.settimeout(10)

    def serve():
        try:
            serving.wrap_socket(far, server_side=True).close()
        except OSError:
            far.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        asking.wrap_socket(near, server_hostname=host).close()
    except ssl.SSLCertVerificationError:
        return False
    finally:
        near.close()
        thread.join()
    return True


@pytest.mark.parametrize(
    ("host", "taken"),
    [("broker.test", True), ("127.0.0.1", True), ("::1", True), ("other.test", False)],
)
def test_a_strict_client_takes_the_server_by_its_names_and_no_other(pair, host, taken):
    """Python's strictest verification takes the certificate for each host it names only."""
    assert shaken_hands(*pair, host=host) is taken


def test_another_authority_is_not_trusted(pair, tmp_path):
    """A server is refused by whoever trusts another authority, even of the same name."""
    other = make_authority(tmp_path, name="test site", now_utc=NOW)

    assert not shaken_hands(other, pair[1], host="broker.test")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_verifies_the_chain_and_tells_the_same_fingerprint(pair):
    """An independent program verifies the server's certificate and counts the same digits."""
    authority, server = pair
    verified = subprocess.run(
        [
            *("openssl", "verify", "-x509_strict", "-purpose", "sslserver"),
            *("-CAfile", authority.certificate, server.certificate),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    told = subprocess.run(
        ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", server.certificate],
        capture_output=True,
        text=True,
        check=True,
    ).stdout

    assert verified.returncode == 0, verified.stderr
    digits = told.split("=")[1].strip().replace(":", "").lower()
    assert digits == server.fingerprint.replace(" ", "")


def test_keys_are_their_owners_alone_and_never_overwritten_unasked(tmp_path):
    """A key has mode 0600 under any umask; making one again is refused, or replaces both files."""
    before = os.umask(0)
    try:
        first = make_authority(tmp_path, name="site", now_utc=NOW)
    finally:
        os.umask(before)
    bytes_before = first.key.read_bytes()
    with pytest.raises(BadInput, match="is there already, and is never overwritten unasked"):
        make_authority(tmp_path, name="site", now_utc=NOW)
    kept = first.key.read_bytes()
    second = make_authority(tmp_path, name="site", now_utc=NOW, replace=True)

    assert stat.S_IMODE(first.key.stat().st_mode) == 0o600
    assert stat.S_IMODE(first.certificate.stat().st_mode) == 0o644
    assert kept == bytes_before
    assert second.fingerprint != first.fingerprint
    check_key(second)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ca.crt", "ca.key"]


def test_validity_is_told_in_words(pair):
    """The sentence names host, last day and fingerprint, and shouts when it is over."""
    _authority, server = pair

    words = server.in_words(now_utc=NOW)
    assert "for broker.test, 127.0.0.1, ::1, valid until" in words
    assert "(824 days)" in words
    assert server.fingerprint in words
    assert "EXPIRED" in server.in_words(now_utc=NOW + timedelta(days=826))
    assert "see this computer's date" in server.in_words(now_utc=NOW - timedelta(days=9))
    assert read_certificate(server.certificate, server.key) == server


@pytest.mark.parametrize("host", ["", "two words", "-x", "ü.test", "a" * 254, "x/y"])
def test_what_is_no_host_is_refused(pair, tmp_path, host):
    """One line says how a host is written; nothing is left behind."""
    with pytest.raises(BadInput, match="is no name or address of a computer"):
        make_server_certificate(pair[0], tmp_path, hosts=(host,), now_utc=NOW)

    assert list(tmp_path.iterdir()) == []


def test_only_a_living_authority_signs(pair, tmp_path):
    """A server's certificate, an expired authority and another's key sign nothing."""
    authority, server = pair
    mixed = read_certificate(authority.certificate, server.key)

    for signer, when, why in (
        (server, NOW, "is no authority's certificate"),
        (authority, NOW + timedelta(days=3651), "expired on"),
        (mixed, NOW, "is not the key of"),
    ):
        with pytest.raises(BadInput, match=why):
            make_server_certificate(signer, tmp_path, hosts=("a.test",), now_utc=when)
    with pytest.raises(BadInput, match="can't be read as a certificate"):
        read_authority(tmp_path)


def secret_file(folder, content="s3cret\n", mode=0o600):
    path = folder / "password"
    write_whole(path, content.encode(), mode=mode, replace=True)
    return path


def test_a_secret_comes_from_the_environment_or_its_owners_file(tmp_path):
    """Both ways give it, neither gives None, and both at once are refused."""
    path = secret_file(tmp_path)
    environment = {"PW": "other"}

    assert secret_from(file=path, environment={}, where="x") == "s3cret"
    assert secret_from(variable="PW", environment=environment, where="x") == "other"
    assert secret_from(environment=environment, where="x") is None
    with pytest.raises(BadInput, match="names its secret twice"):
        secret_from(variable="PW", file=path, environment=environment, where="x")
    assert len(generate_secret()) == 32
    assert generate_secret() != generate_secret()


@pytest.mark.parametrize(
    ("content", "mode", "why"),
    [
        ("s3cret\n", 0o640, r"mode 0640\); run: chmod 600 /"),
        ("s3cret\n", 0o604, r"mode 0604\); run: chmod 600 /"),
        ("s3cret\n", 0o620, "others may read or write"),
        ("", 0o600, "is empty"),
        (" \n", 0o600, "is empty"),
        ("s3cret\nmore\n", 0o600, "more than one line"),
        ("s3cret" * 1000, 0o600, "more than one line"),
    ],
)
def test_a_file_that_others_may_read_or_that_is_no_secret_is_refused(tmp_path, content, mode, why):
    """One line names the file and what mends it, and never what stands in it."""
    path = secret_file(tmp_path, content, mode)

    with pytest.raises(BadInput, match=why) as caught:
        secret_in_file(path, where="source 'mast'")
    assert "s3cret" not in str(caught.value)
    assert str(caught.value).startswith("source 'mast': ")


def test_what_can_not_be_opened_is_refused(tmp_path):
    """A missing file, a folder, a pipe nobody writes to, an unset and an empty variable."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe, 0o600)

    for path, why in (
        (tmp_path / "no", "no secret file"),
        (tmp_path, "no file"),
        (pipe, "no file"),
    ):
        with pytest.raises(BadInput, match=why):
            secret_in_file(path, where="x")
    for environment, why in (({}, "has no variable 'PW'"), ({"PW": ""}, "an empty variable")):
        with pytest.raises(BadInput, match=why):
            secret_from(variable="PW", environment=environment, where="x")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_file_of_another_user_is_refused(tmp_path):
    """Its mode alone says nothing where somebody else may change it."""
    path = secret_file(tmp_path)
    os.chown(path, 65534, -1)

    with pytest.raises(BadInput, match="belongs to another user"):
        secret_in_file(path, where="x")


def test_where_modes_are_not_known_that_is_said(monkeypatch):
    """Nothing is left unchecked in silence."""
    assert unchecked() is None
    monkeypatch.setattr("logger.access.secret.KNOWS_MODES", False)

    assert "on Windows it is not checked" in unchecked()


BROKER_SOURCE = {"id": "w", "kind": "mqtt", "url": "mqtt://h", "topic": "t", "user": "u"}


def test_a_rig_file_names_where_a_password_is(tmp_path):
    """``password_file`` and ``password_env`` lead to the password; both at once are refused."""
    path = secret_file(tmp_path)
    by_file = Source(**BROKER_SOURCE | {"password_file": str(path)})
    by_variable = Source(**BROKER_SOURCE | {"password_env": "PW"})

    assert password_of(by_file, {}, where="source 'w'") == "s3cret"
    assert password_of(by_variable, {"PW": "other"}, where="source 'w'") == "other"
    for table in (Source, BrokerTopic):
        keys = {"url": "mqtt://h", "topic": "t"} if table is BrokerTopic else BROKER_SOURCE
        with pytest.raises(ValidationError, match="'password_env' or 'password_file', not both"):
            table(**keys | {"password_env": "PW", "password_file": "f"})
    path.chmod(0o644)
    with pytest.raises(
        SourceUnavailable, match=r"source 'w', password_file: others may read .*600"
    ):
        password_of(by_file, {}, where="source 'w'")

"""How a bench is reached: loopback by default, the network on request, a certificate made here."""

from __future__ import annotations

import datetime
import logging
import ssl
import stat

import pytest
from knurlsight.bench.address import LOOPBACK_NAMES, address, host_name, listening
from knurlsight.bench.certificate import GOOD_FOR_DAYS, certificate
from knurlsight.bench.pairing import Code
from knurlsight.bench.refusals import BenchError
from knurlsight.bench.serve import code_words, folder_for, log, start_words
from knurlsight.records.place import find_place

x509 = pytest.importorskip("cryptography.x509", reason="pip install 'knurlsight[https]' for the certificate")


def test_loopback_unless_asked_otherwise():
    where = address(0, lan=False, https=False)
    assert where.hosts == LOOPBACK_NAMES
    with listening(where) as bound:
        assert bound.getsockname()[0] == "127.0.0.1"
    with listening(address(0, lan=True, https=False)) as bound:
        assert bound.getsockname()[0] == "0.0.0.0"


def test_a_taken_port_is_told_with_the_next_one():
    with listening(address(0, lan=False, https=False)) as bound:
        bound.listen()
        port = bound.getsockname()[1]
        with pytest.raises(BenchError, match=f"port {port}") as e:
            listening(address(port, lan=False, https=False))
    assert e.value.hint.startswith("--port")


@pytest.mark.parametrize(
    ("header", "host"),
    [("A.local:1", "a.local"), ("[::1]:8765", "[::1]"), ("[::1]", "[::1]"), ("x", "x"), ("", ""), (":80", "")],
)
def test_the_host_of_a_header(header, host):
    assert host_name(header) == host


def test_the_certificate_names_the_hosts_and_is_kept(tmp_path):
    hosts = ("192.0.2.7", "bench.local", "localhost", "[::1]")
    made = certificate(tmp_path, hosts)
    assert stat.S_IMODE(made.key.stat().st_mode) == 0o600
    read = x509.load_pem_x509_certificate(made.certificate.read_bytes())
    names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["bench.local", "localhost"]
    assert [str(a) for a in names.get_values_for_type(x509.IPAddress)] == ["192.0.2.7", "::1"]
    # browsers refuse server certificates that are good for longer than 398 days (CA/Browser Forum, ballot SC31)
    assert read.not_valid_after_utc - read.not_valid_before_utc < datetime.timedelta(days=398)
    assert GOOD_FOR_DAYS < 398
    assert certificate(tmp_path, hosts[:2]).fingerprint == made.fingerprint
    assert certificate(tmp_path, (*hosts, "other.local")).fingerprint != made.fingerprint


@pytest.mark.parametrize("damaged", ["certificate.pem", "certificate-key.pem"])
def test_a_damaged_certificate_or_key_is_made_anew(damaged, tmp_path):
    certificate(tmp_path, ("localhost",))
    (tmp_path / damaged).write_bytes(b"damaged")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    again = certificate(tmp_path, ("localhost",))
    context.load_cert_chain(again.certificate, again.key)
    assert len(again.fingerprint) == 95


def test_the_words_of_the_start_say_what_plain_http_means(tmp_path):
    assert "--lan" in start_words(address(8765, lan=False, https=False), None)
    plain = start_words(address(8765, lan=True, https=False), None)
    assert "can read along" in plain and "--https" in plain
    kept = certificate(tmp_path, ("localhost",))
    assert kept.fingerprint in start_words(address(8765, lan=True, https=True), kept)
    words = code_words(address(8765, lan=True, https=False), Code("12345678", 0.0))
    assert "1234 5678" in words and "█" in words


def test_the_log_has_no_traceback(capsys, monkeypatch):
    monkeypatch.setattr(logging.getLogger(), "handlers", [])
    log()
    try:
        try:
            raise ZeroDivisionError("of ours")
        except ZeroDivisionError:
            logging.getLogger("uvicorn.error").exception("Exception in ASGI application")
        try:
            raise ConnectionResetError
        except ConnectionResetError:
            logging.getLogger("uvicorn.error").exception("cut")
    finally:
        logging.getLogger().setLevel(logging.WARNING)
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "a bug in knurlsight (ZeroDivisionError)" in said


def test_the_folder_lies_beside_the_records(tmp_path, monkeypatch):
    assert folder_for(find_place(tmp_path)) == tmp_path / "bench"
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    server = find_place(f"postgresql://name@host/records?photos={tmp_path}")
    assert folder_for(server).name == "bench" and "knurlsight" in str(folder_for(server))

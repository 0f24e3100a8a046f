"""A self-made certificate, so that the shop's network does not carry photos and tokens in the clear.

Phones warn once, because nobody vouches for it; its fingerprint is shown in the terminal to be compared.
"""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from knurlsight.bench.refusals import BenchError
from knurlsight.output import write_bytes

if TYPE_CHECKING:
    from cryptography.x509 import GeneralName

GOOD_FOR_DAYS = 397  # browsers take no longer ones
RENEW_DAYS = 30


@dataclass(frozen=True)
class Certificate:
    """A certificate with its key, as files."""

    certificate: Path
    key: Path
    fingerprint: str

    def context(self) -> ssl.SSLContext:
        """What a server shows it with."""
        made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        made.load_cert_chain(self.certificate, self.key)
        return made


def certificate(folder: Path, hosts: tuple[str, ...]) -> Certificate:
    """The certificate kept in a folder, made anew when it is missing, runs out or names other hosts.

    Raises
    ------
    BenchError
        The package cryptography is missing.
    """
    try:
        from cryptography import x509
        from cryptography.hazmat.primitives import hashes, serialization
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.x509.oid import ExtendedKeyUsageOID
    except ImportError as e:
        raise BenchError("--https needs the package cryptography", hint="pip install 'knurlsight[https]'") from e
    at, key_at = folder / "certificate.pem", folder / "certificate-key.pem"
    time = datetime.datetime.now(datetime.UTC)
    names = [_name(host) for host in hosts]
    if at.is_file() and key_at.is_file():
        try:
            kept = x509.load_pem_x509_certificate(at.read_bytes())
            said = kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        except (ValueError, x509.ExtensionNotFound):
            kept = None
        fresh = kept is not None and kept.not_valid_after_utc - time > datetime.timedelta(days=RENEW_DAYS)
        if kept is not None and fresh and set(names) <= set(said):
            found = Certificate(at, key_at, kept.fingerprint(hashes.SHA256()).hex(":").upper())
            with contextlib.suppress(ssl.SSLError):  # the key is damaged, or that of another certificate
                found.context()
                return found
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "knurlsight bench")])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(time - datetime.timedelta(hours=1))
        .not_valid_after(time + datetime.timedelta(days=GOOD_FOR_DAYS))
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    encoding = serialization.Encoding.PEM
    private = key.private_bytes(encoding, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    key_at.touch(0o600)
    write_bytes(key_at, private)
    key_at.chmod(0o600)
    write_bytes(at, made.public_bytes(encoding))
    return Certificate(at, key_at, made.fingerprint(hashes.SHA256()).hex(":").upper())


def _name(host: str) -> GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(host.strip("[]")))
    except ValueError:
        return x509.DNSName(host)

"""A certificate authority for tests, and certificates it signed."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

_SINCE, _UNTIL = timedelta(minutes=-5), timedelta(days=1)


class Authority:
    """Signs certificates, for 127.0.0.1 and a day if nothing else is said; all files are PEM in one directory."""

    def __init__(self, directory: Path, name: str = "cellar authority") -> None:
        directory.mkdir(parents=True, exist_ok=True)
        self._directory = directory
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = (
            self._builder(self._name, self._key.public_key())
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.file = directory / "ca.pem"
        self.file.write_bytes(certificate.public_bytes(Encoding.PEM))

    def issue(
        self, name: str, *, address: str = "127.0.0.1", since: timedelta = _SINCE, until: timedelta = _UNTIL
    ) -> tuple[Path, Path]:
        """Certificate file and key file of `name`; `since` and `until` are counted from now."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))])
        certificate = (
            self._builder(subject, key.public_key(), since, until)
            .add_extension(names, critical=False)
            .sign(self._key, hashes.SHA256())
        )
        cert_file, key_file = self._directory / f"{name}.pem", self._directory / f"{name}.key"
        cert_file.write_bytes(certificate.public_bytes(Encoding.PEM))
        key_file.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
        return cert_file, key_file

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePublicKey, since: timedelta = _SINCE, until: timedelta = _UNTIL
    ) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + since)
            .not_valid_after(now + until)
        )

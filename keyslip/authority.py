"""A certificate authority of the house's own, so that phones get pages that nobody else in the network reads.

Browsers give a page the camera and the microphone only over https, and no public authority signs for an address in a
house. So this computer makes an authority on first use, and signs with it one certificate for its own addresses. Phones
are told once to trust it. The authority may sign for private addresses and `.local` names only (name constraints), so
that trusting it says nothing about any public site, and its key never leaves the data folder.
"""

import datetime as dt
import hashlib
import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from keyslip.data import private_folder, write_private
from keyslip.lan import HOUSE_NETWORKS, LOOPBACK_NETWORK

# Ten years: phones need to trust it once in the life of an ordinary computer.
AUTHORITY_DAYS = 3650
# The longest that phones accept from a server: 398 days, less one for clocks that differ.
SERVER_DAYS = 397
# Renewed this long before its end, so that a computer started once a month never shows an expired one.
RENEW_DAYS = 40
# Clocks in a house differ; a phone an hour behind would otherwise refuse a certificate made just now.
BACKDATE = dt.timedelta(days=1)
# Names the authority may sign for; the addresses are those of keyslip.lan.
PERMITTED_NAMES = ("local", "localhost")


@dataclass(frozen=True, slots=True)
class ServerFiles:
    """What the web server is started with; `renewed` tells whether they are new."""

    certificate: Path
    key: Path
    renewed: bool


@dataclass(frozen=True, slots=True)
class Authority:
    """The authority kept in one folder."""

    folder: Path

    @property
    def certificate_path(self) -> Path:
        return self.folder / "authority.pem"

    @property
    def key_path(self) -> Path:
        return self.folder / "authority.key"

    def certificate_der(self) -> bytes | None:
        """Return the certificate as phones install it, or None before first use."""
        certificate = self._certificate()
        return None if certificate is None else certificate.public_bytes(serialization.Encoding.DER)

    def fingerprint(self) -> str | None:
        """Return the SHA-256 digest that a phone shows, in pairs, or None before first use."""
        der = self.certificate_der()
        return None if der is None else hashlib.sha256(der).digest().hex(":").upper()

    def server_files(self, hosts: Sequence[str], *, now: dt.datetime | None = None) -> ServerFiles:
        """Return a certificate and key for `hosts`, kept while they cover the same hosts and are not near their end.

        Parameters
        ----------
        hosts
            Addresses and names, in any order; loopback is added.
        now
            The time to judge by, with its zone; by default the present.

        Returns
        -------
        ServerFiles
            The chain of two certificates, and a key in PKCS#8, both readable by their owner only.
        """
        now = now or dt.datetime.now(dt.UTC)
        private_folder(self.folder)
        wanted = frozenset({*hosts, "127.0.0.1", "localhost"})
        files = ServerFiles(self.folder / "server.pem", self.folder / "server.key", renewed=False)
        authority, key, is_new = self._ensure(now)
        if not is_new and _is_good(files, authority, wanted=wanted, now=now):
            return files
        server_key = ec.generate_private_key(ec.SECP256R1())
        certificate = (
            _builder(_name("Keyslip on this computer"), authority.subject, server_key.public_key(), now, SERVER_DAYS)
            .add_extension(
                x509.SubjectAlternativeName([_general_name(host) for host in sorted(wanted)]), critical=False
            )
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_key_usage(signs_certificates=False), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(server_key.public_key()), critical=False)
            .sign(key, hashes.SHA256())
        )
        pem = serialization.Encoding.PEM
        write_private(files.key, _private_pem(server_key))
        write_private(files.certificate, certificate.public_bytes(pem) + authority.public_bytes(pem))
        return ServerFiles(files.certificate, files.key, renewed=True)

    def _certificate(self) -> x509.Certificate | None:
        try:
            return x509.load_pem_x509_certificate(self.certificate_path.read_bytes())
        except (FileNotFoundError, ValueError):
            return None

    def _key(self) -> ec.EllipticCurvePrivateKey | None:
        try:
            key = serialization.load_pem_private_key(self.key_path.read_bytes(), password=None)
        except (FileNotFoundError, ValueError):
            return None
        return key if isinstance(key, ec.EllipticCurvePrivateKey) else None

    def _ensure(self, now: dt.datetime) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey, bool]:
        certificate, old_key = self._certificate(), self._key()
        lasts = certificate is not None and certificate.not_valid_after_utc > now + dt.timedelta(days=RENEW_DAYS)
        if certificate and old_key and lasts and old_key.public_key() == certificate.public_key():
            return certificate, old_key, False
        key = ec.generate_private_key(ec.SECP256R1())
        name = _name("Keyslip, this house's own authority")
        permitted: list[x509.GeneralName] = [x509.DNSName(permitted_name) for permitted_name in PERMITTED_NAMES]
        permitted += [x509.IPAddress(network) for network in (*HOUSE_NETWORKS, LOOPBACK_NETWORK)]
        certificate = (
            _builder(name, name, key.public_key(), now, AUTHORITY_DAYS)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(_key_usage(signs_certificates=True), critical=True)
            .add_extension(x509.NameConstraints(permitted_subtrees=permitted, excluded_subtrees=None), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .sign(key, hashes.SHA256())
        )
        write_private(self.key_path, _private_pem(key))
        write_private(self.certificate_path, certificate.public_bytes(serialization.Encoding.PEM))
        return certificate, key, True


def _is_good(files: ServerFiles, authority: x509.Certificate, *, wanted: frozenset[str], now: dt.datetime) -> bool:
    """Tell whether the files on disk belong together, to this authority and these hosts, and last a while yet."""
    try:
        certificate = x509.load_pem_x509_certificates(files.certificate.read_bytes())[0]
        key = serialization.load_pem_private_key(files.key.read_bytes(), password=None)
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        certificate.verify_directly_issued_by(authority)
    except (OSError, ValueError, IndexError, TypeError, x509.ExtensionNotFound, InvalidSignature):
        return False
    covered = frozenset(str(name.value) for name in names)
    ends = now + dt.timedelta(days=RENEW_DAYS)
    return covered == wanted and certificate.not_valid_after_utc > ends and key.public_key() == certificate.public_key()


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: dt.datetime, days: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATE)
        .not_valid_after(now - BACKDATE + dt.timedelta(days=days))
    )


def _name(common_name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])


def _general_name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)


def _key_usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _private_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )

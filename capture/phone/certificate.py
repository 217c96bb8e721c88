"""A certificate made by this computer for one use: browsers give the microphone to encrypted pages only."""

import ipaddress
import ssl
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

VALID = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Certificate:
    """A self-made certificate and its key, PEM.

    fingerprint: SHA-256 of the certificate as a browser shows it, "AB:CD:..."
    """

    chain: bytes
    key: bytes = field(repr=False)
    fingerprint: str

    def context(self) -> ssl.SSLContext:
        """Give a server's TLS settings: TLS 1.2 and newer. The key is on disk only while it is read, in a folder of its own."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        with tempfile.TemporaryDirectory() as folder:
            chain, key = Path(folder, "chain.pem"), Path(folder, "key.pem")
            chain.write_bytes(self.chain)
            key.write_bytes(self.key)
            context.load_cert_chain(chain, key)
        return context


def make_certificate(address: str) -> Certificate:
    """Make a certificate for one IP address, valid for a day (X.509 version 3, RFC 5280; ECDSA on P-256)."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.oid.NameOID.COMMON_NAME, "vibekit on this computer")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))  # the phone's clock may be behind
        .not_valid_after(now + VALID)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), critical=False)
        .add_extension(x509.ExtendedKeyUsage([x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    return Certificate(
        certificate.public_bytes(serialization.Encoding.PEM),
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()),
        certificate.fingerprint(hashes.SHA256()).hex(":").upper(),
    )

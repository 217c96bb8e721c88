"""Where the phone finds this computer: an address of the local network, and the link that it opens."""

import ipaddress
import socket
from dataclasses import dataclass

from vibekit.errors import UsageError

ELSEWHERE = ("192.0.2.1", 9)  # kept for documents (RFC 5737): nobody answers there, and nothing is sent


@dataclass(frozen=True, slots=True)
class Link:
    """What a phone opens, once.

    url: with the one-time token behind "#", which browsers keep to themselves; fingerprint: of the certificate, SHA-256
    """

    url: str
    fingerprint: str

    @property
    def squares(self) -> tuple[tuple[bool, ...], ...]:
        """The link as a QR code (ISO/IEC 18004) with its quiet zone: True is dark."""
        import segno

        return tuple(tuple(bool(square) for square in row) for row in segno.make_qr(self.url, error="m").matrix_iter(border=4))


def own_address() -> str | None:
    """Give the address under which others in the network reach this computer; None where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(ELSEWHERE)
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if ipaddress.ip_address(address).is_loopback else address


def bound(address: str, port: int) -> socket.socket:
    """Give a socket that listens at one address of this computer, 0 for any free port. Raises UsageError when it cannot."""
    try:
        family = socket.AF_INET6 if ipaddress.ip_address(address).version == 6 else socket.AF_INET
    except ValueError:
        raise UsageError(f"address is {address!r}; give an IP address of this computer, such as 192.168.1.20") from None
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((address, port))
        listener.listen(16)
        listener.setblocking(False)
    except (OSError, OverflowError) as error:
        listener.close()
        reason = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot listen at {address}, port {port} ({reason}); give another --address or --port") from None
    return listener


def host_of(listener: socket.socket) -> str:
    """Give address and port as they stand in a link."""
    address, port = listener.getsockname()[:2]
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"

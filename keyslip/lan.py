"""Addresses of this computer in the house, read from its own interfaces; nothing is sent anywhere."""

import fcntl
import ipaddress
import re
import socket
import struct
import sys

# The kernel's request "address of this interface" (SIOCGIFADDR), which is not in Python's library.
_REQUEST_ADDRESS = 0xC0206921 if sys.platform == "darwin" else 0x8915
# Bytes of the answer: a name of 16, then a socket address whose last four of eight bytes are the address.
_ANSWER_BYTES, _ADDRESS_AT = 64, 20
# What a house uses, and all that our authority may sign for: the private ranges (RFC 1918) and the shared range that
# overlay networks use (RFC 6598).
HOUSE_NETWORKS = tuple(
    ipaddress.IPv4Network(network) for network in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10")
)
LOOPBACK_NETWORK = ipaddress.IPv4Network("127.0.0.0/8")
# Interfaces of containers and virtual machines: no phone in the house reaches those.
_NOT_THE_HOUSE = ("docker", "br-", "veth", "virbr", "vmnet", "bridge", "cni", "flannel", "podman")
# Names of ordinary cards come first: the first address is the one in the QR code.
_CARDS = re.compile(r"^(en|eth|wl)")


def lan_addresses() -> tuple[str, ...]:
    """Return the private IPv4 addresses of this computer, those of network cards first, without loopback."""
    found: list[tuple[bool, str, str]] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for _, name in socket.if_nameindex():
            if name.startswith(_NOT_THE_HOUSE):
                continue
            request = struct.pack(f"{_ANSWER_BYTES}s", name.encode()[:15])
            try:
                answer = fcntl.ioctl(probe.fileno(), _REQUEST_ADDRESS, request)
            except OSError:  # an interface without an IPv4 address
                continue
            address = ipaddress.IPv4Address(answer[_ADDRESS_AT : _ADDRESS_AT + 4])
            if any(address in network for network in HOUSE_NETWORKS):
                found.append((_CARDS.match(name) is None, name, str(address)))
    return tuple(dict.fromkeys(address for _, _, address in sorted(found)))


def lan_name() -> str | None:
    """Return this computer's name as phones in the house may find it (`name.local`), or None if it has no usable name."""
    label = socket.gethostname().split(".")[0].lower()
    if label in {"", "localhost"} or not re.fullmatch(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?", label):
        return None
    return f"{label}.local"

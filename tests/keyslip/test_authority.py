import datetime as dt
import socket
import ssl
import stat
import threading

import pytest
from cryptography import x509

from keyslip.authority import RENEW_DAYS, SERVER_DAYS, Authority
from keyslip.lan import HOUSE_NETWORKS, lan_addresses, lan_name

HOSTS = ["192.168.7.7", "piano.local"]
NOW = dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC)


@pytest.fixture
def authority(tmp_path):
    return Authority(tmp_path / "authority")


def shake_hands(files, *, trusted, name):
    """Let a client that trusts `trusted` speak TLS with a server of these files; return what the client was told."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(files.certificate, files.key)
    client = ssl.create_default_context(cafile=trusted)
    # The strictest reading of certificates, which later versions of Python turn on by themselves.
    client.verify_flags |= ssl.VERIFY_X509_STRICT
    ours, theirs = socket.socketpair()
    ours.settimeout(10)
    theirs.settimeout(10)

    def serve():
        try:
            with server.wrap_socket(theirs, server_side=True) as secure:
                secure.sendall(b"good day")
        except (ssl.SSLError, OSError):
            theirs.close()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        with client.wrap_socket(ours, server_hostname=name) as secure:
            return secure.recv(100)
    finally:
        ours.close()
        thread.join(10)


@pytest.mark.parametrize("name", ["192.168.7.7", "piano.local", "127.0.0.1", "localhost"])
def test_client_that_trusts_the_authority_accepts_each_address_of_the_house(authority, name):
    files = authority.server_files(HOSTS)
    assert shake_hands(files, trusted=authority.certificate_path, name=name) == b"good day"


def test_client_refuses_an_address_that_is_not_this_computers(authority):
    files = authority.server_files(HOSTS)
    with pytest.raises(ssl.SSLCertVerificationError, match="mismatch"):
        shake_hands(files, trusted=authority.certificate_path, name="192.168.7.8")


def test_client_that_trusts_another_house_refuses(authority, tmp_path):
    other = Authority(tmp_path / "other")
    other.server_files(HOSTS)
    with pytest.raises(ssl.SSLCertVerificationError):
        shake_hands(authority.server_files(HOSTS), trusted=other.certificate_path, name="192.168.7.7")


def test_client_that_trusts_only_public_authorities_refuses(authority):
    with pytest.raises(ssl.SSLCertVerificationError):
        shake_hands(authority.server_files(HOSTS), trusted=None, name="192.168.7.7")


@pytest.mark.parametrize("name", ["bank.example", "8.8.8.8"])
def test_authority_cannot_vouch_for_anything_outside_the_house(authority, name):
    files = authority.server_files([name])
    with pytest.raises(ssl.SSLCertVerificationError, match="permitted subtree"):
        shake_hands(files, trusted=authority.certificate_path, name=name)


def test_certificate_is_kept_while_the_addresses_stay(authority):
    first = authority.server_files(HOSTS, now=NOW)
    before = first.certificate.read_bytes()
    again = authority.server_files(list(reversed(HOSTS)), now=NOW + dt.timedelta(days=200))
    assert (first.renewed, again.renewed) == (True, False)
    assert again.certificate.read_bytes() == before


def test_certificate_is_renewed_when_an_address_changes_and_the_authority_stays(authority):
    authority.server_files(HOSTS)
    fingerprint = authority.fingerprint()
    assert authority.server_files(["10.0.0.4"]).renewed
    assert authority.fingerprint() == fingerprint


def test_certificate_is_renewed_before_it_ends(authority):
    authority.server_files(HOSTS, now=NOW)
    assert not authority.server_files(HOSTS, now=NOW + dt.timedelta(days=SERVER_DAYS - RENEW_DAYS - 2)).renewed
    assert authority.server_files(HOSTS, now=NOW + dt.timedelta(days=SERVER_DAYS - RENEW_DAYS)).renewed


def test_server_certificate_lasts_no_longer_than_phones_accept(authority):
    certificate = x509.load_pem_x509_certificates(authority.server_files(HOSTS).certificate.read_bytes())[0]
    assert certificate.not_valid_after_utc - certificate.not_valid_before_utc <= dt.timedelta(days=398)


@pytest.mark.parametrize("name", ["authority.pem", "authority.key", "server.pem", "server.key"])
def test_broken_file_is_made_anew(authority, name):
    authority.server_files(HOSTS)
    (authority.folder / name).write_bytes(b"not a certificate")
    files = authority.server_files(HOSTS)
    assert files.renewed
    assert shake_hands(files, trusted=authority.certificate_path, name="192.168.7.7") == b"good day"


def test_keys_are_their_owners_alone(authority):
    authority.server_files(HOSTS)
    for path in authority.folder.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(authority.folder.stat().st_mode) == 0o700


def test_there_is_nothing_to_install_before_first_use(authority):
    assert authority.certificate_der() is None
    assert authority.fingerprint() is None


def test_addresses_of_the_house_are_private_ones():
    import ipaddress

    for address in lan_addresses():
        assert any(ipaddress.ip_address(address) in network for network in HOUSE_NETWORKS)


def test_name_of_the_house_is_a_plain_local_name(monkeypatch):
    monkeypatch.setattr("socket.gethostname", lambda: "Piano.example.org")
    assert lan_name() == "piano.local"
    monkeypatch.setattr("socket.gethostname", lambda: "ein_flügel")
    assert lan_name() is None
    monkeypatch.setattr("socket.gethostname", lambda: "localhost")
    assert lan_name() is None

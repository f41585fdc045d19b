"""With which certificate does this computer serve the app over https, and what must a phone trust for it?

An authority of this computer's own signs a certificate for the addresses that the computer has now. A phone is told once to
trust the authority; it can vouch for private addresses, names of the local network and the computer's own address only, so
that its key, if it were stolen, could not stand in for any site of the world.
"""

from __future__ import annotations

import ipaddress
import os
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cannot_use import CannotUse
from diagnose.extras import need
from diagnose.settings import settings_file
from diagnose.whole_file import write_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey, EllipticCurvePublicKey
    from cryptography.x509 import Certificate, ExtensionType, GeneralName, KeyUsage, Name

_AUTHORITY_DAYS, _OWN_DAYS = 1825, 397  # our choice
_RENEWED_DAYS = 30  # before it ends
# RFC 1918, RFC 3927, RFC 4193, RFC 4291, and this machine itself
_PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7", "fe80::/10",
            "::1/128")


def own_address() -> str:
    """The machine's address on its local network, without sending anything; 127.0.0.1 when it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # reserved for documentation (RFC 5737); a UDP connect sends nothing
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def own_addresses() -> list[str]:
    """Addresses and names of this computer on its local network, without sending anything."""
    name = socket.gethostname()
    bare = [] if "." in name else [name]
    found = [own_address(), "127.0.0.1", "localhost", f"{name.removesuffix('.local')}.local", *bare]
    return list(dict.fromkeys(found))


def authority() -> Path | None:
    """The certificate that a phone must trust; None where the app is not served over https."""
    file = _folder() / "authority.crt"
    return file if os.environ.get("DIAGNOSE_HTTPS") and file.exists() else None


def fingerprint(certificate: Path) -> str:
    """The SHA-256 by which a person compares a certificate, in pairs of letters and digits.

    Parameters
    ----------
    certificate
        File of it [no unit].
    """
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.x509 import load_pem_x509_certificate

    return load_pem_x509_certificate(certificate.read_bytes()).fingerprint(SHA256()).hex(":").upper()


def certificate_for(addresses: list[str], now: datetime | None = None) -> tuple[Path, Path]:
    """Files of the certificate (with the authority's after it) and of its key, made anew where those kept no longer do.

    Parameters
    ----------
    addresses
        Addresses and names that the computer has [no unit].
    now
        The moment; None for the present [no unit].

    Raises
    ------
    CannotUse
        Where the library is not installed, or the folder of the settings cannot be written.

    References
    ----------
    .. [1] RFC 5280, 4.2.1.10: an authority whose name constraints bind it to some addresses and names.
    """
    need("lock", "https")
    now = now or datetime.now(UTC)
    folder = _folder()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)  # the keys in it are for nobody else
    except OSError as problem:
        raise CannotUse(f"{folder} cannot be made ({problem.strerror}); name another with DIAGNOSE_SETTINGS") from None
    whole, key = folder / "own.crt", folder / "own.key"
    signer, made = _authority_in(folder, addresses, now)
    if made or not (key.exists() and _still_good(whole, addresses, now)):
        _sign(whole, key, signer, addresses, now)
    return whole, key


def _folder() -> Path:
    return settings_file().parent / "https"


def _still_good(file: Path, addresses: list[str], now: datetime) -> bool:
    """Does a certificate name all of the addresses, for some time yet?"""
    from cryptography.x509 import SubjectAlternativeName, load_pem_x509_certificate

    if not file.exists():
        return False
    try:
        there = load_pem_x509_certificate(file.read_bytes())
    except ValueError:
        return False
    named = there.extensions.get_extension_for_class(SubjectAlternativeName).value
    return (there.not_valid_after_utc - now > timedelta(days=_RENEWED_DAYS)
            and {_general(each) for each in addresses} <= set(named))


def _authority_in(
    folder: Path, addresses: list[str], now: datetime
) -> tuple[tuple[Certificate, EllipticCurvePrivateKey], bool]:
    """The authority and its key, and whether it was made just now, since there was none or since it is about to end."""
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    file, key_file = folder / "authority.crt", folder / "authority.key"
    needed = {_bound(each) for each in addresses} | {x509.IPAddress(ipaddress.ip_network(each)) for each in _PRIVATE}
    try:
        there = x509.load_pem_x509_certificate(file.read_bytes())
        secret = load_pem_private_key(key_file.read_bytes(), None)
        bound = there.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or []
        if (isinstance(secret, EllipticCurvePrivateKey) and needed <= set(bound)
                and there.not_valid_after_utc - now > timedelta(days=_OWN_DAYS)):
            return (there, secret), False
    except (OSError, ValueError, x509.ExtensionNotFound):
        pass
    secret = _new_key(key_file)
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, f"Browse diagnosis on {socket.gethostname()}"[:64])])
    made = _certificate(subject, subject, secret.public_key(), secret, now, _AUTHORITY_DAYS, [
        (x509.BasicConstraints(ca=True, path_length=0), True), (x509.NameConstraints(sorted(needed, key=repr), None), True),
        (_usage(signs=True), True)])
    _write(file, made)
    return (made, secret), True


def _sign(whole: Path, key_file: Path, signer: tuple[Certificate, EllipticCurvePrivateKey], addresses: list[str],
          now: datetime) -> None:
    from cryptography import x509

    authority_of, secret = signer
    key = _new_key(key_file)
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, addresses[0][:64])])
    made = _certificate(subject, authority_of.subject, key.public_key(), secret, now, _OWN_DAYS, [
        (x509.BasicConstraints(ca=False, path_length=None), True),
        (x509.SubjectAlternativeName([_general(each) for each in addresses]), False),
        (x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.SERVER_AUTH]), False), (_usage(signs=False), True),
        (x509.AuthorityKeyIdentifier.from_issuer_public_key(secret.public_key()), False)])
    _write(whole, made, authority_of)


def _certificate(subject: Name, issuer: Name, public: EllipticCurvePublicKey, secret: EllipticCurvePrivateKey, now: datetime,
                 days: int, more: list[tuple[ExtensionType, bool]]) -> Certificate:
    from cryptography import x509
    from cryptography.hazmat.primitives.hashes import SHA256

    made = (x509.CertificateBuilder().subject_name(subject).issuer_name(issuer).public_key(public)
            .serial_number(x509.random_serial_number()).not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(days=days))
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), False))
    for extension, critical in more:
        made = made.add_extension(extension, critical)
    return made.sign(secret, SHA256())


def _usage(signs: bool) -> KeyUsage:
    from cryptography.x509 import KeyUsage

    return KeyUsage(digital_signature=not signs, content_commitment=False, key_encipherment=False, data_encipherment=False,
                    key_agreement=False, key_cert_sign=signs, crl_sign=signs, encipher_only=False, decipher_only=False)


def _new_key(file: Path) -> EllipticCurvePrivateKey:
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    key = generate_private_key(SECP256R1())
    write_whole(file, key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    file.chmod(0o600)
    return key


def _write(file: Path, *certificates: Certificate) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    write_whole(file, b"".join(one.public_bytes(Encoding.PEM) for one in certificates))


def _general(address: str) -> GeneralName:
    from cryptography.x509 import DNSName, IPAddress

    try:
        return IPAddress(ipaddress.ip_address(address))
    except ValueError:
        return DNSName(address)


def _bound(address: str) -> GeneralName:
    """What the authority is bound to for an address or a name: the private addresses that it lies in, else itself alone.

    What ends in `.local` belongs to the local network (RFC 6762).
    """
    from cryptography.x509 import DNSName, IPAddress

    try:
        own = ipaddress.ip_network(address)
    except ValueError:
        return DNSName("local" if address.endswith(".local") else address)
    private = (ipaddress.ip_network(each) for each in _PRIVATE)
    return IPAddress(next((net for net in private if net.version == own.version and own.network_address in net), own))

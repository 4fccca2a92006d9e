"""An Ed25519 signature over a bag's tag manifest, in two forms that other tools verify.

The tag manifest names every other file's hash, so a signature over it covers the whole bag.
Signatures stand in the folder ``signature/`` of the bag and are not listed in the tag manifest:
they could not be.

- ``ed25519.sig``, 64 raw bytes: ``openssl pkeyutl -verify -rawin``;
- ``ed25519.sshsig``: ``ssh-keygen -Y verify -n marginbook``;
- the public key in both forms, ``public.pem`` and ``public.ssh``;
- further ones, each ``NAME.sshsig``, by whoever signs as well;
- ``time.tsr``, the answer of a time-stamping authority (RFC 3161) about the tag manifest.
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import re
import struct
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from kit.archive.bag import TAG_MANIFEST
from kit.archive.unbag import SIGNATURE_FOLDER, Bag
from kit.errors import Finding, SealError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )

NAMESPACE = "marginbook"
RAW = SIGNATURE_FOLDER + "ed25519.sig"
SSH = SIGNATURE_FOLDER + "ed25519.sshsig"
PUBLIC_PEM = SIGNATURE_FOLDER + "public.pem"
PUBLIC_SSH = SIGNATURE_FOLDER + "public.ssh"
TIME = SIGNATURE_FOLDER + "time.tsr"
FILES = (RAW, SSH, PUBLIC_PEM, PUBLIC_SSH)
MAX_KEY_BYTES = 16_384
_SSH_TYPE = b"ssh-ed25519"
_MAGIC = b"SSHSIG"
_BEGIN, _END = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"


@dataclass(frozen=True, slots=True)
class _SignatureCheck:
    """What a bag's signature is worth.

    `state` is "none" (not signed), "valid" (by the key given), "valid, key not compared" (by the
    key in the bag, which anyone could have put there) or "wrong". `key` is the fingerprint of the
    signing key, as ``ssh-keygen -l`` prints it; `also` those of whoever signed as well.
    """

    state: str
    key: str
    findings: tuple[Finding, ...]
    also: tuple[str, ...] = ()


def load_private_key(path: Path) -> Ed25519PrivateKey:
    """Return the Ed25519 private key in a file: PKCS #8 PEM or OpenSSH's own form.

    Raises
    ------
    SealError
        If the file holds no such key, or one with a passphrase. The message names the file,
        never its content.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    data = _key_bytes(path)
    load: Callable[..., object]
    if b"BEGIN OPENSSH PRIVATE KEY" in data:
        load = serialization.load_ssh_private_key
    else:
        load = serialization.load_pem_private_key
    try:
        key = load(data, password=None)
    except TypeError:
        raise SealError(
            f"{path.name}: the key has a passphrase; keys with a passphrase are not read. Seal "
            f"without --key, then sign {TAG_MANIFEST} yourself with `ssh-keygen -Y sign -n "
            f"{NAMESPACE}` and put the result into the bag as {SSH}"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise SealError(f"{path.name}: no private key that can be read; {_WANTED}") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise SealError(f"{path.name}: not an Ed25519 key; {_WANTED}")
    return key


_WANTED = (
    "expected an Ed25519 key as `openssl genpkey -algorithm ed25519` or `ssh-keygen -t ed25519` "
    "write it"
)


def load_public_key(path: Path) -> Ed25519PublicKey:
    """Return the Ed25519 public key in a file.

    The file may be PEM, a line ``ssh-ed25519 AAAA...``, or a list of allowed signers with one
    line.

    Raises
    ------
    SealError
        If the file holds no such key.
    """
    return _public_key(_key_bytes(path), path.name)


def _key_bytes(path: Path, *, limit: int = MAX_KEY_BYTES) -> bytes:
    """Return the bytes of a key file, of at most `limit`."""
    try:
        with path.open("rb") as stream:
            data = stream.read(limit + 1)
    except OSError as error:
        raise SealError(f"{path.name}: the key cannot be read: {error.strerror}") from None
    if len(data) > limit:
        raise SealError(f"{path.name}: too large for a key")
    return data


def _public_key(data: bytes, name: str) -> Ed25519PublicKey:
    """Return the Ed25519 public key in PEM or in a line `ssh-ed25519 AAAA...`."""
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    if b"PRIVATE KEY" in data:
        raise SealError(f"{name}: holds a private key; give the public one")
    try:
        if b"BEGIN PUBLIC KEY" in data:
            key: object = serialization.load_pem_public_key(data)
        else:
            words = data.split()
            start = words.index(_SSH_TYPE)
            key = serialization.load_ssh_public_key(b" ".join(words[start : start + 2]))
    except (ValueError, UnsupportedAlgorithm):
        raise SealError(f"{name}: no Ed25519 public key, neither PEM nor ssh-ed25519") from None
    if not isinstance(key, Ed25519PublicKey):
        raise SealError(f"{name}: not an Ed25519 key")
    return key


def _public_line(key: Ed25519PublicKey) -> str:
    """Return a public key as OpenSSH writes it: ``ssh-ed25519 AAAA...``."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    return key.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()


def fingerprint(key: Ed25519PublicKey) -> str:
    """Return a public key's fingerprint, as ``ssh-keygen -l`` prints it: ``SHA256:...``."""
    blob = base64.b64decode(_public_line(key).split()[1])
    return "SHA256:" + base64.b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")


def sign_manifest(manifest: bytes, key: Ed25519PrivateKey) -> dict[str, bytes]:
    """Return the signature files for a tag manifest: path in the bag to bytes.

    Ed25519 draws no random numbers (RFC 8032): the same manifest and key give the same bytes.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    public = key.public_key()
    pem = public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    blob = base64.b64decode(_public_line(public).split()[1])
    signature = _string(_SSH_TYPE) + _string(key.sign(_signed_blob(manifest, b"sha512")))
    # OpenSSH, PROTOCOL.sshsig: magic, version 1, public key, namespace, reserved, hash, signature.
    packed = _MAGIC + struct.pack(">I", 1) + _string(blob) + _string(NAMESPACE.encode())
    packed += _string(b"") + _string(b"sha512") + _string(signature)
    text = base64.b64encode(packed).decode()
    lines = [text[start : start + 70] for start in range(0, len(text), 70)]
    return {
        RAW: key.sign(manifest),
        SSH: "\n".join([_BEGIN, *lines, _END, ""]).encode(),
        PUBLIC_PEM: pem,
        PUBLIC_SSH: f"{_public_line(public)} {NAMESPACE}\n".encode(),
    }


def _string(data: bytes) -> bytes:
    """Return bytes as SSH writes a string: a length of four bytes before it (RFC 4251, 5)."""
    return struct.pack(">I", len(data)) + data


def _signed_blob(message: bytes, hash_name: bytes) -> bytes:
    """Return what an SSH signature signs (OpenSSH, PROTOCOL.sshsig, section 3)."""
    digest = hashlib.new(hash_name.decode(), message).digest()
    return (
        _MAGIC + _string(NAMESPACE.encode()) + _string(b"") + _string(hash_name) + _string(digest)
    )


def check_signature(bag: Bag, *, signer: Ed25519PublicKey | None = None) -> _SignatureCheck:
    """Check a bag's signature against the tag manifest as it stands.

    Parameters
    ----------
    bag : Bag
        The bag.
    signer : Ed25519PublicKey, optional
        The key that must have signed it. Without one, the key in the bag is used, and the state
        says that nobody vouches for it.

    Returns
    -------
    _SignatureCheck
        State, fingerprint of the key, and each file that is not as it must be.
    """
    manifest = bag.read(TAG_MANIFEST) if TAG_MANIFEST in bag.files else b""
    findings: list[Finding] = []
    also: dict[str, str] = {}
    for path in bag.files:
        if not path.startswith(SIGNATURE_FOLDER) or path in {*FILES, TIME}:
            continue
        if re.fullmatch(r"[a-z0-9-]{1,40}\.sshsig", path.removeprefix(SIGNATURE_FOLDER)):
            if by := _signed_as_well(bag, path, manifest, findings):
                also[path] = by
        else:
            findings.append(Finding(path, "only signature files of this kit", "not one of them"))
    here = {path: b"" for path in FILES if path in bag.files}
    for path in here:
        try:
            here[path] = bag.read(path, limit=MAX_KEY_BYTES)
        except SealError as error:
            findings.append(Finding(path, "a signature or key", str(error)))
    if RAW not in here and SSH not in here:
        if signer is not None:
            expected = f"a signature by {fingerprint(signer)}"
            findings.append(Finding(SIGNATURE_FOLDER, expected, "the bag is not signed"))
        elif here:
            findings.append(Finding(next(iter(here)), "a signature beside the key", "none"))
        return _SignatureCheck("wrong" if findings else "none", "", tuple(findings))
    if TAG_MANIFEST not in bag.files:
        findings.append(Finding(TAG_MANIFEST, "the file that is signed", "it is missing"))
        return _SignatureCheck("wrong", "", tuple(findings))
    keys = _keys_given(here, findings)
    asked = fingerprint(signer) if signer is not None else ""
    second = asked in also.values()  # the one asked for signed as well
    key = signer if not second and signer is not None else next(iter(keys.values()), None)
    if key is None:
        findings.append(Finding(SIGNATURE_FOLDER, "a public key to check with", "none"))
        return _SignatureCheck("wrong", "", tuple(findings))
    mark = fingerprint(key)
    findings += [
        Finding(path, f"the key {mark}", f"the key {fingerprint(other)}")
        for path, other in keys.items()
        if fingerprint(other) != mark
    ]
    wanted = f"a signature of {TAG_MANIFEST} by {mark}"
    if RAW in here and not _verifies(key, here[RAW], manifest):
        findings.append(Finding(RAW, wanted, "one that does not fit"))
    if SSH in here and SSH in keys and not _ssh_verifies(key, here[SSH], manifest):
        findings.append(Finding(SSH, wanted, "one that does not fit"))
    good = "valid" if signer is not None else "valid, key not compared"
    others = tuple(sorted({mark, *also.values()} - {asked or mark}))
    return _SignatureCheck("wrong" if findings else good, asked or mark, tuple(findings), others)


def _signed_as_well(bag: Bag, path: str, manifest: bytes, findings: list[Finding]) -> str:
    """Return the fingerprint of the key of a further signature; what is wrong is a finding."""
    wanted = f"an SSH signature of {TAG_MANIFEST}"
    try:
        data = bag.read(path, limit=MAX_KEY_BYTES)
        key = _public_key(_SSH_TYPE + b" " + base64.b64encode(_ssh_parts(data)[0]), path)
        if _ssh_verifies(key, data, manifest):
            return fingerprint(key)
        findings.append(Finding(path, wanted, "one that does not fit"))
    except SealError as error:
        findings.append(Finding(path, wanted, str(error)))
    return ""


def time_query(identity: str) -> str:
    """Return the command that asks for a time token of a bag; what it writes goes to an authority.

    Parameters
    ----------
    identity : str
        SHA-256 of the bag's tag manifest.
    """
    return f"openssl ts -query -digest {identity} -sha256 -cert -out request.tsq"


_STAMPED = re.compile(r"Time stamp: ([A-Z][a-z]{2} +\d+ [\d:]{8})[.\d]* (\d{4}) GMT")


def check_time(token: bytes, *, identity: str, authority: Path) -> str:
    """Return when, in UTC, a time-stamping authority saw the tag manifest of a bag.

    Parameters
    ----------
    token : bytes
        The authority's answer (RFC 3161, TimeStampResp).
    identity : str
        SHA-256 of the bag's tag manifest.
    authority : Path
        Certificates trusted for it, in PEM.

    Raises
    ------
    SealError
        If it is of another bag, not by that authority, or openssl is not here.

    Notes
    -----
    Checked by `openssl ts`, without a network. The certificate must have held at the time stamped,
    not today: a token is checked years later. Whether it was revoked is not asked.
    """
    _key_bytes(authority, limit=64 * MAX_KEY_BYTES)
    with tempfile.TemporaryDirectory(prefix="marginbook-") as folder:
        file = Path(folder, "time.tsr")
        file.write_bytes(token)
        said = _openssl_ts("-reply", "-in", str(file), "-text")
        found = _STAMPED.search(said)
        if found is None or "Hash Algorithm: sha256\n" not in said:
            raise SealError("not the answer of a time-stamping authority about a SHA-256")
        when = dt.datetime.strptime(f"{found[1]} {found[2]}+0000", "%b %d %H:%M:%S %Y%z")
        checked = _openssl_ts(
            "-verify", "-digest", identity, "-in", str(file), "-CAfile", str(authority.absolute()),
            "-attime", str(int(when.timestamp())),
        )  # fmt: skip
    if "Verification: OK" not in checked:
        why = re.findall(r"(?:error|:)([a-z][a-z ]{6,60})(?::|$)", checked, re.MULTILINE)
        raise SealError(f"it does not hold: {why[-1] if why else 'openssl ts -verify refuses it'}")
    return when.isoformat().replace("+00:00", "Z")


def _openssl_ts(*arguments: str) -> str:
    """Return all that `openssl ts` says."""
    command = ["openssl", "ts", *arguments]
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=60, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        raise SealError("openssl, which checks time tokens, cannot be run here") from None
    return (done.stdout + done.stderr).decode("utf-8", "replace")


STATEMENT, PAYLOAD = "https://in-toto.io/Statement/v1", "application/vnd.in-toto+json"
PREDICATE = "urn:marginbook:recomputed:1"


def attest(
    review: str, identity: str, predicate: Mapping[str, str], key: Ed25519PrivateKey
) -> bytes:
    """Return a signed statement of what one laboratory found of a sealed review.

    Parameters
    ----------
    review, identity : str
        The bag's review, and the SHA-256 of its tag manifest.
    predicate : mapping of str to str
        What was found: grade, hash of the claims, version and hash of the kit.
    key : Ed25519PrivateKey
        The laboratory's.

    Notes
    -----
    An in-toto statement (https://in-toto.io/Statement/v1) in a DSSE envelope, version 1: the
    signature is of "DSSEv1", and type and body, each after its length.
    """
    statement = {
        "_type": STATEMENT,
        "subject": [{"name": review, "digest": {"sha256": identity}}],
        "predicateType": PREDICATE,
        "predicate": dict(predicate),
    }
    body = json.dumps(statement, sort_keys=True).encode()
    envelope = {
        "payloadType": PAYLOAD,
        "payload": base64.b64encode(body).decode(),
        "signatures": [
            {
                "keyid": fingerprint(key.public_key()),
                "publicKey": _public_line(key.public_key()),
                "sig": base64.b64encode(key.sign(_enveloped(body))).decode(),
            }
        ],
    }
    return (json.dumps(envelope, indent=1) + "\n").encode()


def _enveloped(body: bytes) -> bytes:
    """Return what a DSSE signature signs (PAE, DSSE protocol, version 1)."""
    return b"DSSEv1 %d %s %d %s" % (len(PAYLOAD), PAYLOAD.encode(), len(body), body)


def read_attestation(data: bytes, *, identity: str, claims_sha256: str) -> tuple[str, str]:
    """Return the fingerprint of the key and the grade in a statement about one bag.

    Raises
    ------
    SealError
        If it is no such statement, its signature does not hold, or it is of another bag.
    """
    try:
        envelope = json.loads(data)
        body = base64.b64decode(envelope["payload"], validate=True)
        (signed,) = envelope["signatures"]
        key = _public_key(str(signed["publicKey"]).encode(), "the statement")
        holds = _verifies(key, base64.b64decode(signed["sig"], validate=True), _enveloped(body))
        statement = json.loads(body)
        named = statement["subject"][0]["digest"]["sha256"]
        found = statement["predicate"]
        grade, claims = str(found["grade"]), found["claims_sha256"]
        kinds = (envelope["payloadType"], statement["_type"], statement["predicateType"])
    except (ValueError, KeyError, IndexError, TypeError, RecursionError):
        raise SealError("not a statement about a sealed review") from None
    if kinds != (PAYLOAD, STATEMENT, PREDICATE):
        raise SealError(f"a statement of another kind: {kinds[2]!s:.60}")
    if not holds:
        raise SealError("the signature does not fit the statement")
    if named != identity or claims != claims_sha256:
        raise SealError("a statement about another bag")
    return fingerprint(key), grade


def _keys_given(here: Mapping[str, bytes], findings: list[Finding]) -> dict[str, Ed25519PublicKey]:
    """Return the public key each signature file names; what cannot be read is a finding."""
    keys: dict[str, Ed25519PublicKey] = {}
    for path, data in here.items():
        try:
            if path == SSH:
                keys[path] = _public_key(
                    _SSH_TYPE + b" " + base64.b64encode(_ssh_parts(data)[0]), path
                )
            elif path != RAW:
                keys[path] = _public_key(data, path)
        except SealError as error:
            findings.append(Finding(path, "an Ed25519 key or signature", str(error)))
    return keys


def _verifies(key: Ed25519PublicKey, signature: bytes, message: bytes) -> bool:
    """Return whether a raw Ed25519 signature of a message is by a key."""
    from cryptography.exceptions import InvalidSignature

    try:
        key.verify(signature, message)
    except InvalidSignature:
        return False
    return True


def _ssh_verifies(key: Ed25519PublicKey, data: bytes, manifest: bytes) -> bool:
    """Return whether an armoured SSH signature of a message is by a key."""
    _, hash_name, signature = _ssh_parts(data)
    return _verifies(key, signature, _signed_blob(manifest, hash_name))


def _ssh_parts(data: bytes) -> tuple[bytes, bytes, bytes]:
    """Return public key blob, hash name and raw signature of an armoured SSH signature.

    Raises
    ------
    SealError
        If it is none, is for another namespace, or of another type.
    """
    lines = data.decode("ascii", "replace").split()
    text = " ".join(lines)
    if not (text.startswith(_BEGIN) and text.endswith(_END)):
        raise SealError("not an SSH signature")
    try:
        packed = base64.b64decode("".join(lines[3:-3]), validate=True)
    except ValueError:
        raise SealError("not an SSH signature: broken base64") from None
    if packed[:10] != _MAGIC + struct.pack(">I", 1):
        raise SealError("not an SSH signature of version 1")
    blob, namespace, _reserved, hash_name, signature = _strings(packed[10:], 5)
    kind, raw = _strings(signature, 2)
    if namespace != NAMESPACE.encode():
        raise SealError(f"the signature is for another purpose than {NAMESPACE}")
    if kind != _SSH_TYPE or hash_name not in {b"sha256", b"sha512"}:
        raise SealError("the signature is not of type ssh-ed25519 with SHA-256 or SHA-512")
    return blob, hash_name, raw


def _strings(data: bytes, count: int) -> list[bytes]:
    """Return `count` SSH strings that fill `data` exactly.

    A string is its length in four bytes, the highest first, and its bytes (RFC 4251, section 5).

    Raises
    ------
    SealError
        If the data end early or late.
    """
    found = []
    for _ in range(count):
        end = 4 + int.from_bytes(data[:4], "big")
        if len(data) < end:
            raise SealError("the signature is cut short")
        found.append(data[4:end])
        data = data[end:]
    if data:
        raise SealError("the signature has bytes too many")
    return found

"""Signatures, checked by openssl and ssh-keygen, and theirs checked here."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from bagmaker import bytes_of, make_bag
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sealmaker import copy_bag, time_authority

from kit.archive.signature import (
    PUBLIC_PEM,
    PUBLIC_SSH,
    RAW,
    SSH,
    TIME,
    check_signature,
    check_time,
    fingerprint,
    load_private_key,
    load_public_key,
    sign_manifest,
    time_query,
)
from kit.archive.unbag import open_bag
from kit.archive.verifying import verify_bag, write_attestation
from kit.errors import SealError

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.skipif(
    not (shutil.which("openssl") and shutil.which("ssh-keygen")), reason="needs openssl, ssh-keygen"
)


def run(*command: object, data: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [str(word) for word in command], input=data, capture_output=True, timeout=60
    )


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Keys as openssl and ssh-keygen make them: private and public, good and unfit."""
    folder = tmp_path_factory.mktemp("keys")
    assert (
        run("openssl", "genpkey", "-algorithm", "ed25519", "-out", folder / "pem").returncode == 0
    )
    run("openssl", "pkey", "-in", folder / "pem", "-pubout", "-out", folder / "pem.pub")
    for name, *how in (
        ("ssh", "-t", "ed25519", "-N", ""),
        ("locked", "-t", "ed25519", "-N", "a passphrase"),
        ("rsa", "-t", "rsa", "-b", "2048", "-N", ""),
    ):
        made = run("ssh-keygen", "-q", *how, "-C", "nobody", "-f", folder / name)
        assert made.returncode == 0, made.stderr
    run("openssl", "genpkey", "-algorithm", "ed448", "-out", folder / "ed448")
    run(
        "openssl",
        "genpkey",
        "-algorithm",
        "ed25519",
        "-aes256",
        "-pass",
        "pass:x",
        "-out",
        folder / "locked-pem",
    )
    return {path.name: path for path in folder.iterdir()}


def signed_bag(to: Path, key: Path) -> Path:
    private = load_private_key(key)
    return make_bag(to, sign=lambda manifest: sign_manifest(manifest, private))


@pytest.mark.parametrize("kind", ["pem", "ssh"])
def test_openssl_verifies(tmp_path, keys, kind):
    bag = signed_bag(tmp_path / "bag", keys[kind])
    verify = (
        "openssl",
        "pkeyutl",
        "-verify",
        "-rawin",
        "-pubin",
        "-inkey",
        bag / PUBLIC_PEM,
        "-sigfile",
        bag / RAW,
        "-in",
        bag / "tagmanifest-sha256.txt",
    )
    done = run(*verify)
    assert done.returncode == 0 and b"Verified Successfully" in done.stdout
    (bag / "tagmanifest-sha256.txt").write_bytes(b"other")
    assert run(*verify).returncode != 0


@pytest.mark.parametrize("kind", ["pem", "ssh"])
def test_ssh_keygen_verifies(tmp_path, keys, kind):
    bag = signed_bag(tmp_path / "bag", keys[kind])
    allowed = tmp_path / "allowed_signers"
    allowed.write_text("analyst@example.org " + (bag / PUBLIC_SSH).read_text())
    verify = (
        "ssh-keygen",
        "-Y",
        "verify",
        "-f",
        allowed,
        "-I",
        "analyst@example.org",
        "-n",
        "marginbook",
        "-s",
        bag / SSH,
    )
    manifest = (bag / "tagmanifest-sha256.txt").read_bytes()
    done = run(*verify, data=manifest)
    assert done.returncode == 0, done.stdout + done.stderr
    assert run(*verify, data=manifest + b"x").returncode != 0


def test_fingerprint_is_that_of_ssh_keygen(keys):
    printed = run("ssh-keygen", "-l", "-f", keys["ssh.pub"]).stdout.decode().split()[1]
    assert fingerprint(load_public_key(keys["ssh.pub"])) == printed


def test_signatures_by_other_tools_are_accepted(tmp_path, keys):
    bag = make_bag(tmp_path / "bag")
    (bag / "signature").mkdir()
    manifest = bag / "tagmanifest-sha256.txt"
    made = run(
        "ssh-keygen",
        "-Y",
        "sign",
        "-f",
        keys["ssh"],
        "-n",
        "marginbook",
        data=manifest.read_bytes(),
    )
    (bag / SSH).write_bytes(made.stdout)
    signer = load_public_key(keys["ssh.pub"])
    with open_bag(bag) as opened:
        assert check_signature(opened, signer=signer).state == "valid"
        assert check_signature(opened).state == "valid, key not compared"
    (bag / SSH).unlink()
    run(
        "openssl",
        "pkeyutl",
        "-sign",
        "-rawin",
        "-inkey",
        keys["pem"],
        "-in",
        manifest,
        "-out",
        bag / RAW,
    )
    with open_bag(bag) as opened:
        assert check_signature(opened, signer=load_public_key(keys["pem.pub"])).state == "valid"
        assert "a public key to check with" in str(check_signature(opened).findings)


# RFC 8032, section 7.1, TEST 2.
SECRET = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
MESSAGE = "72"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def test_raw_signature_is_that_of_rfc_8032():
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET))
    assert sign_manifest(bytes.fromhex(MESSAGE), key)[RAW].hex() == SIGNATURE


def test_same_key_same_bag(tmp_path, keys):
    first = signed_bag(tmp_path / "one" / "bag", keys["ssh"])
    second = signed_bag(tmp_path / "two" / "bag", keys["ssh"])
    assert bytes_of(first) == bytes_of(second)


def test_signature_files_are_known_but_unlisted(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["pem"])
    assert "signature/" not in (bag / "tagmanifest-sha256.txt").read_text()
    with open_bag(bag) as opened:
        assert opened.check_listing(opened.read_listing()) == []


def test_private_keys_stay_out(tmp_path, keys):
    for kind in ("pem", "ssh"):
        bag = signed_bag(tmp_path / kind, keys[kind])
        secret = load_private_key(keys[kind]).private_bytes_raw()
        lines = [line for line in keys[kind].read_bytes().splitlines() if b"-----" not in line]
        for data in bytes_of(bag).values():
            assert b"PRIVATE" not in data and secret not in data
            # The OpenSSH form holds the public key too: only its last lines are secret.
            assert not any(line in data for line in lines[-3:])


def states(bag: Path, signer: Path | None) -> tuple[str, str]:
    with open_bag(bag) as opened:
        check = check_signature(opened, signer=load_public_key(signer) if signer else None)
    return check.state, "\n".join(str(finding) for finding in check.findings)


def test_unsigned_is_said_and_refused_where_a_signer_is_asked_for(tmp_path, keys):
    bag = make_bag(tmp_path / "bag")
    assert states(bag, None) == ("none", "")
    state, text = states(bag, keys["ssh.pub"])
    assert state == "wrong"
    assert "signature/: expected a signature by SHA256:" in text
    assert "the bag is not signed" in text


def test_another_key_is_found_only_with_the_signer_given(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["pem"])
    assert states(bag, None)[0] == "valid, key not compared"
    assert states(bag, keys["pem.pub"]) == ("valid", "")
    state, text = states(bag, keys["ssh.pub"])
    assert state == "wrong"
    for path in (RAW, PUBLIC_PEM, PUBLIC_SSH, SSH):
        assert f"{path}:" in text


@pytest.mark.parametrize("path", [RAW, SSH, PUBLIC_PEM, PUBLIC_SSH])
@pytest.mark.parametrize("how", ["flip", "cut", "empty", "other", "huge"])
def test_damaged_signature_files_are_found(tmp_path, keys, path, how):
    bag = signed_bag(tmp_path / "bag", keys["ssh"])
    other = signed_bag(tmp_path / "other", keys["pem"])
    data = bytearray((bag / path).read_bytes())
    if how == "flip":
        data[len(data) // 2] ^= 1
    changed = {
        "flip": bytes(data),
        "cut": bytes(data[: len(data) // 2]),
        "empty": b"",
        "other": (other / path).read_bytes(),
        "huge": bytes(data) * 5_000,
    }[how]
    (bag / path).write_bytes(changed)
    state, text = states(bag, keys["ssh.pub"])
    assert state == "wrong"
    assert path in text


def test_every_bit_of_both_signatures_counts(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["ssh"])
    for path in (RAW, SSH):
        whole = (bag / path).read_bytes()
        for place in range(len(whole)):
            data = bytearray(whole)
            data[place] ^= 1
            (bag / path).write_bytes(data)
            state, _ = states(bag, keys["ssh.pub"])
            # A line end may become another white space: the armour reads the same.
            assert state == "wrong" or data.split() == whole.split(), (path, place)
        (bag / path).write_bytes(whole)
    assert states(bag, keys["ssh.pub"])[0] == "valid"


def test_a_signature_for_another_purpose_does_not_count(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["ssh"])
    made = run(
        "ssh-keygen",
        "-Y",
        "sign",
        "-f",
        keys["ssh"],
        "-n",
        "file",
        data=(bag / "tagmanifest-sha256.txt").read_bytes(),
    )
    (bag / SSH).write_bytes(made.stdout)
    state, text = states(bag, keys["ssh.pub"])
    assert state == "wrong" and "for another purpose" in text


def test_keys_beside_no_signature_are_found(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["ssh"])
    (bag / RAW).unlink()
    (bag / SSH).unlink()
    state, text = states(bag, None)
    assert state == "wrong" and "a signature beside the key" in text


def test_a_stranger_in_the_signature_folder_is_found(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["ssh"])
    (bag / "signature" / "run.sh").write_text("echo\n")
    state, text = states(bag, keys["ssh.pub"])
    assert state == "wrong" and "signature/run.sh" in text


@pytest.mark.parametrize(
    ("kind", "why"),
    [
        ("locked", "has a passphrase"),
        ("locked-pem", "has a passphrase"),
        ("rsa", "not an Ed25519"),
        ("ed448", "not an Ed25519"),
        ("ssh.pub", "no private key"),
        ("none", "cannot be read"),
    ],
)
def test_unfit_private_keys(keys, tmp_path, kind, why):
    path = keys.get(kind, tmp_path / "none")
    with pytest.raises(SealError, match=f"^{path.name}: .*{why}") as caught:
        load_private_key(path)
    if path.exists():
        secret = [line for line in path.read_text().splitlines() if "-----" not in line]
        assert not any(line in str(caught.value) for line in secret)
    assert caught.value.__cause__ is None


def test_unfit_public_keys(keys, tmp_path):
    with pytest.raises(SealError, match="holds a private key"):
        load_public_key(keys["ssh"])
    with pytest.raises(SealError, match="no Ed25519 public key"):
        load_public_key(keys["rsa.pub"])
    (tmp_path / "big").write_bytes(bytes(20_000))
    with pytest.raises(SealError, match="too large for a key"):
        load_public_key(tmp_path / "big")
    (tmp_path / "allowed").write_text("me@example.org " + keys["ssh.pub"].read_text())
    assert fingerprint(load_public_key(tmp_path / "allowed")) == fingerprint(
        load_public_key(keys["ssh.pub"])
    )


def test_a_second_laboratory_signs_what_it_found(tmp_path):
    bag = copy_bag(tmp_path / "bag")
    for name in ("one", "two"):
        made = ["openssl", "genpkey", "-algorithm", "ed25519", "-out", tmp_path / name]
        subprocess.run(made, check=True, capture_output=True)
    seen = verify_bag(bag)
    files = [write_attestation(bag, seen, key=tmp_path / name) for name in ("one", "two")]
    assert len(set(files)) == 2
    # By openssl alone: the body after its length, as the DSSE protocol, version 1, has it.
    envelope = json.loads(files[0].read_bytes())
    body = base64.b64decode(envelope["payload"])
    kind = envelope["payloadType"]
    (tmp_path / "said").write_bytes(f"DSSEv1 {len(kind)} {kind} {len(body)} ".encode() + body)
    (tmp_path / "sig").write_bytes(base64.b64decode(envelope["signatures"][0]["sig"]))
    check = ["openssl", "pkeyutl", "-verify", "-rawin", "-inkey", tmp_path / "one",
             "-sigfile", tmp_path / "sig", "-in", tmp_path / "said"]  # fmt: skip
    assert subprocess.run(check, capture_output=True, check=False).returncode == 0
    statement = json.loads(body)
    assert statement["subject"][0]["digest"]["sha256"] == seen.identity
    assert statement["predicate"]["grade"] == "reproduced"
    # One altered, one of another bag.
    envelope["payload"] = base64.b64encode(body.replace(b"reproduced", b"whole")).decode()
    files[0].write_text(json.dumps(envelope))
    said = verify_bag(bag).attested
    assert sorted("NOT hold" in line for line in said) == [False, True]
    (good,) = (line for line in said if "NOT hold" not in line)
    assert 'says "reproduced"' in good


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return time_authority(tmp_path_factory.mktemp("tsa"))


def test_a_time_token_is_asked_for_as_printed_and_checked(tmp_path, authority):
    certificate, answer = authority
    bag = make_bag(tmp_path / "bag")
    identity = hashlib.sha256((bag / "tagmanifest-sha256.txt").read_bytes()).hexdigest()
    subprocess.run(time_query(identity).split(), cwd=tmp_path, check=True, capture_output=True)
    answer(tmp_path / "request.tsq", bag / TIME)
    token = (bag / TIME).read_bytes()
    began = dt.datetime.now(dt.UTC)
    said = dt.datetime.fromisoformat(check_time(token, identity=identity, authority=certificate))
    assert abs((began - said).total_seconds()) < 60
    # As openssl has it by itself, over the file and not its hash.
    check = ["openssl", "ts", "-verify", "-data", bag / "tagmanifest-sha256.txt", "-in", bag / TIME,
             "-CAfile", certificate]  # fmt: skip
    assert subprocess.run(check, capture_output=True, check=False).returncode == 0
    for other in (
        {"token": token, "identity": "0" * 64, "authority": certificate},
        {"token": token.replace(bytes.fromhex(identity)[:8], bytes(8)), "identity": identity,
         "authority": certificate},
        {"token": token[:-40], "identity": identity, "authority": certificate},
        {"token": b"", "identity": identity, "authority": certificate},
    ):  # fmt: skip
        with pytest.raises(SealError, match=r"does not hold|not the answer"):
            check_time(other.pop("token"), **other)
    stranger = tmp_path / "stranger.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=Other",
            "-keyout", tmp_path / "k", "-out", stranger]  # fmt: skip
    subprocess.run(made, check=True, capture_output=True)
    with pytest.raises(SealError, match="does not hold: "):
        check_time(token, identity=identity, authority=stranger)


def test_verify_says_when_a_bag_was_there_or_that_nobody_can_tell(tmp_path, authority):
    certificate, answer = authority
    bag = make_bag(tmp_path / "bag")

    def signature(**given: Path):
        seen = verify_bag(bag, **given)
        return seen, seen.stages[3]

    _, stage = signature(authority=certificate)
    assert stage.state == "failed" and [f.path for f in stage.findings] == [TIME]
    _, stage = signature()
    (printed,) = re.findall("`(openssl ts [^`]+)`", stage.said)
    assert stage.state == "passed" and "Nobody can tell when it was sealed" in stage.said
    subprocess.run(printed.split(), cwd=tmp_path, check=True, capture_output=True)
    answer(tmp_path / "request.tsq", bag / TIME)
    seen, stage = signature()
    assert stage.state == "passed" and "whose signature/time.tsr is" in stage.said
    whole = {"stages": tuple(replace(s, state="passed", findings=()) for s in seen.stages)}
    assert not replace(seen, **whole).meets(["whole", "timed"])
    seen, stage = signature(authority=certificate)
    assert stage.state == "passed" and seen.time in stage.said
    assert seen.to_dict()["time"] == seen.time > "2026"
    assert replace(seen, **whole).meets(["whole", "timed"])


def test_several_sign_one_bag(tmp_path, keys):
    bag = signed_bag(tmp_path / "bag", keys["pem"])
    manifest = (bag / "tagmanifest-sha256.txt").read_bytes()
    made = run("ssh-keygen", "-Y", "sign", "-f", keys["ssh"], "-n", "marginbook", data=manifest)
    (bag / "signature" / "second-desk.sshsig").write_bytes(made.stdout)
    first, second = (load_public_key(keys[name]) for name in ("pem.pub", "ssh.pub"))
    with open_bag(bag) as opened:
        for signer, other in ((first, second), (second, first)):
            seen = check_signature(opened, signer=signer)
            assert (seen.state, seen.key) == ("valid", fingerprint(signer))
            assert seen.also == (fingerprint(other),)
        seen = check_signature(opened)
        assert (seen.state, seen.also) == ("valid, key not compared", (fingerprint(second),))
    (bag / "signature" / "second-desk.sshsig").write_bytes(
        run("ssh-keygen", "-Y", "sign", "-f", keys["ssh"], "-n", "marginbook", data=b"x").stdout
    )
    with open_bag(bag) as opened:
        for signer in (first, second, None):
            seen = check_signature(opened, signer=signer)
            assert seen.state == "wrong"
            assert "second-desk.sshsig" in str(seen.findings)


MARGINBOOK = """\
import sys
from pathlib import Path

sys.path[:0] = {paths!r}
from bagmaker import make_bag

from kit.archive.signature import load_private_key, sign_manifest

what, folder, option, key = sys.argv[1:]
assert (what, option) == ("seal", "--key")
private = load_private_key(Path(key))
make_bag(Path(folder + "-sealed"), sign=lambda manifest: sign_manifest(manifest, private))
"""


def test_the_steps_of_developers_run_as_printed(tmp_path, authority):
    """Keys made, bags signed and checked: every line that DEVELOPERS.md prints, in a shell.

    `marginbook seal` seals a small bag here, for time; what it seals otherwise is tested with it.
    """
    section = (ROOT / "DEVELOPERS.md").read_text().split("## Keys and signatures")[1]
    blocks = re.findall(r"```\n(.*?)```", section.split("\n## ")[0], re.DOTALL)
    pem, ssh, second, stamped, _attested = blocks
    program = tmp_path / "bin" / "marginbook"
    program.parent.mkdir()
    paths = [str(ROOT), str(ROOT / "tests" / "support")]
    program.write_text(f"#!{sys.executable}\n" + MARGINBOOK.format(paths=paths))
    program.chmod(0o755)
    path = {**os.environ, "PATH": f"{program.parent}:{os.environ['PATH']}"}

    def shell(words: str, folder: Path) -> str:
        done = subprocess.run(
            ["bash", "-e", "-c", words], cwd=folder, env=path, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    for block, said in ((pem, "Signature Verified Successfully"), (ssh, 'Good "marginbook" sig')):
        shutil.rmtree(tmp_path / "out", ignore_errors=True)
        assert said in shell(block, tmp_path)
    # The list of allowed signers says until when the key holds.
    spent = block.replace('valid-before=\\"20280101', 'valid-before=\\"20260102')
    assert spent != block
    for name in ("desk", "desk.pub"):
        (tmp_path / name).unlink()
    shutil.rmtree(tmp_path / "out")
    with pytest.raises(AssertionError, match="expired"):
        shell(spent, tmp_path)
    bag = tmp_path / "out" / "mine-sealed"
    shell('ssh-keygen -q -t ed25519 -f second -N ""', tmp_path)
    shell(second, bag)
    identity = hashlib.sha256((bag / "tagmanifest-sha256.txt").read_bytes()).hexdigest()
    shell(time_query(identity), bag)
    certificate, answer = authority
    answer(bag / "request.tsq", bag / TIME)
    (bag / "request.tsq").unlink()
    shutil.copy(certificate, bag / "authority.pem")
    shell(stamped, bag)
    (bag / "authority.pem").unlink()
    with open_bag(bag) as opened:
        seen = check_signature(opened, signer=load_public_key(tmp_path / "second.pub"))
    assert (seen.state, len(seen.also)) == ("valid", 1)

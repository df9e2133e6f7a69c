"""Checksums of files."""

import hashlib

import pytest

from stackbench.frames.checksums import file_sha256


@pytest.mark.parametrize(
    ("content", "sum_"),
    [
        # NIST FIPS 180-4 example values, from memory.
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_published_examples(tmp_path, content, sum_):
    (tmp_path / "x").write_bytes(content)
    assert file_sha256(tmp_path / "x") == sum_


def test_a_file_longer_than_one_block(tmp_path):
    content = bytes(range(256)) * 20_000 + b"end"
    (tmp_path / "x").write_bytes(content)
    assert file_sha256(tmp_path / "x") == hashlib.sha256(content).hexdigest()

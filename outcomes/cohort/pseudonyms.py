"""Codes in place of patients, sites and people, and the key they are made with.

A pseudonym is the HMAC-SHA-256 (FIPS 198-1) of what it stands for, under a random key, written in
twelve letters and digits. The same key gives the same patient the same pseudonym every year; without
the key nobody can try codes until one fits.
"""

from __future__ import annotations

import hmac
import os
import secrets
import stat
from collections.abc import Iterable
from pathlib import Path

from outcomes.errors import InputError, OutputRefused

KEY_BYTES = 32
_HEAD = "outcomes key 1: keep it in the practice, give it to nobody"

#: Letter and digit by turns, without vowels and what looks alike: no word, no date, no number.
_LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
_DIGITS = "23456789"
_PAIRS = 6


def new_key() -> bytes:
    """A random key of 32 bytes."""
    return secrets.token_bytes(KEY_BYTES)


def read_key(path: Path) -> bytes | None:
    """The key in a file; None if there is no such file.

    Raises
    ------
    InputError
        If the file holds something else.
    """
    try:
        lines = path.read_text(encoding="ascii").split("\n")
        key = bytes.fromhex(lines[1])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, IndexError):
        lines, key = [""], b""
    if lines[0] != _HEAD or len(key) != KEY_BYTES:
        raise InputError(
            f"{path} is not a key that outcomes wrote, and is left as it is: give the key file of "
            "last time, or the name of a new one."
        )
    return key


def write_key(path: Path, key: bytes) -> None:
    """Write a new key file that only its owner can read; never over another file.

    Raises
    ------
    OutputRefused
        If there is a file of that name, or it cannot be written.
    """
    try:
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise OutputRefused(f"{path} exists already and is left as it is.") from None
    except OSError as error:
        raise OutputRefused(f"{path} cannot be written ({error.strerror}).") from None
    with os.fdopen(file, "w", encoding="ascii", newline="\n") as out:
        out.write(f"{_HEAD}\n{key.hex()}\n")


def open_to_others(path: Path) -> bool:
    """Whether others than the owner of a file may read it; False where that cannot be told."""
    return os.name == "posix" and bool(path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO))


def pseudonym(key: bytes, kind: str, code: str) -> str:
    """The pseudonym of one code.

    Parameters
    ----------
    key
        As :func:`new_key` gives it.
    kind
        A letter for what it names, put in front: the same code of a reader and of a site gives two
        pseudonyms.
    code
        The code as read, tidied by :func:`outcomes.cohort.cells.clean_text`.

    Examples
    --------
    >>> pseudonym(bytes(32), "P", "P001")
    'P-J9W8-F2T8-D9L5'
    """
    number = int.from_bytes(hmac.digest(key, f"{kind}\x1f{code}".encode(), "sha256"), "big")
    text = ""
    for _ in range(_PAIRS):
        number, letter = divmod(number, len(_LETTERS))
        number, digit = divmod(number, len(_DIGITS))
        text += _LETTERS[letter] + _DIGITS[digit]
    return "-".join([kind, *(text[i : i + 4] for i in range(0, len(text), 4))])


def pseudonyms(key: bytes, kind: str, codes: Iterable[str]) -> dict[str, str]:
    """Pseudonyms of several codes, each its own.

    Raises
    ------
    OutputRefused
        If two codes get the same pseudonym; among 10,000 codes the chance is 3 in a million.
    """
    given: dict[str, str] = {}
    owner: dict[str, str] = {}
    for code in dict.fromkeys(codes):
        name = pseudonym(key, kind, code)
        if name in owner:
            raise OutputRefused(
                f"{owner[name]!r} and {code!r} get the same pseudonym under this key: nothing was "
                "written. Rename one of them, or use a new key (all pseudonyms will then change)."
            )
        owner[name], given[code] = code, name
    return given

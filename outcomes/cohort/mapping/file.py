"""The small TOML file that keeps a mapping: written, read, and everything wrong with it listed."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping as Dict
from pathlib import Path
from typing import Any

from outcomes.cohort.mapping.spec import CHOICES, Mapping, Part, Wide
from outcomes.errors import InputError

VERSION = 1
SUFFIX = ".map.toml"

#: A mapping file larger than this is none.
MOST_BYTES = 1_000_000

_SIGNS = {1: "positive", -1: "negative", 0: ""}
_SIGN_OF = {"positive": 1, "negative": -1, "": 0}


def mapping_hash(mapping: Mapping) -> str:
    """Hash of a mapping as it would be written."""
    return hashlib.sha256(to_toml(mapping).encode()).hexdigest()


def to_toml(mapping: Mapping) -> str:
    """The mapping as text, with a line of comment where a choice needs one."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("How the records of this file are read; see the README."))
    document.add(tomlkit.comment("Written by `outcomes map`; it holds no records."))
    document["version"] = VERSION
    if mapping.file:
        document["file"] = mapping.file
    if mapping.notation:
        document["notation"] = mapping.notation
    for choice, options in CHOICES.items():
        chosen = getattr(mapping, choice)
        document.add(choice, tomlkit.item(chosen).comment(options[chosen]))
    if mapping.reversed_signs:
        document["reversed_signs"] = list(mapping.reversed_signs)
    if mapping.answered:
        document["answered"] = sorted(mapping.answered)
    parts = tomlkit.aot()
    for part in mapping.parts:
        table = tomlkit.table()
        table["sheet"] = part.sheet
        table["headings"] = list(part.headings)
        if part.fill_down:
            table["fill_down"] = list(part.fill_down)
        table["columns"] = dict(part.columns)
        if part.every_row:
            table["every_row"] = dict(part.every_row)
        if part.wide:
            wide = tomlkit.table()
            for heading, what in part.wide.items():
                line = tomlkit.inline_table()
                line.update({k: v for k, v in vars(what).items() if v})
                wide[heading] = line
            table["wide"] = wide
        parts.append(table)
    document["part"] = parts
    words: dict[str, Any] = {}
    if mapping.movements:
        words["movement"] = {
            w: f"{m} {_SIGNS[s]}".strip() for w, (m, s) in mapping.movements.items()
        }
    if mapping.directions:
        words["direction"] = {}
        for (movement, word), sign in mapping.directions.items():
            words["direction"].setdefault(movement, {})[word] = _SIGNS[sign]
    for name, of in (("kind", mapping.kinds), ("attachment", mapping.attachments)):
        if of:
            words[name] = dict(of)
    if words:
        document["words"] = words
    return tomlkit.dumps(document)


def write_mapping(mapping: Mapping, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the mapping as TOML.

    Raises
    ------
    FileExistsError
        If the file exists and ``overwrite`` is False.
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise FileExistsError(f"{path} exists and is left as it is: choose another name.")
    beside = path.with_name(path.name + ".part")
    beside.write_text(to_toml(mapping), encoding="utf-8", newline="\n")
    beside.replace(path)
    return path


def read_mapping(path: str | Path) -> Mapping:
    """Read a mapping from its TOML file.

    Raises
    ------
    InputError
        If the file is no mapping; the message lists everything that is wrong with it.
    FileNotFoundError
        If there is no such file.
    """
    path = Path(path)
    if not path.is_file():
        raise FileNotFoundError(f"There is no mapping {str(path)!r}: check the spelling.")
    if path.stat().st_size > MOST_BYTES:
        raise InputError(f"{path.name} is too large to be a mapping.")
    try:
        return mapping_of(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name} is not TOML that can be read: {error}") from None
    except RecursionError:
        raise InputError(f"{path.name} is nested too deeply to be a mapping.") from None


def mapping_at(given: Mapping | str | Path) -> Mapping:
    """A mapping, or the one that a file keeps."""
    return given if isinstance(given, Mapping) else read_mapping(given)


def mapping_of(raw: Dict[str, Any]) -> Mapping:
    """A mapping from what its TOML file holds; InputError lists everything wrong."""
    take = _Take()
    version = take.value(raw, "version", int, 0)
    if version != VERSION:
        take.wrong.append(
            f"version is {version!r}; this release reads version {VERSION}: make it anew with "
            f"`outcomes map`"
        )
    known = {"version", "file", "notation", *CHOICES, "reversed_signs", "answered", "part", "words"}
    take.unknown(raw, known, "")
    parts = tuple(_part(take, p, i) for i, p in enumerate(take.items(raw, "part", dict), 1))
    words = take.value(raw, "words", dict, {})
    take.unknown(words, {"movement", "direction", "kind", "attachment"}, "words")
    movements = {
        word: _movement_word(take, word, said) for word, said in take.texts(words, "movement")
    }
    directions = {
        (movement, word): _sign(take, word, said)
        for movement, inner in take.value(words, "direction", dict, {}).items()
        for word, said in (inner.items() if isinstance(inner, dict) else ())
    }
    read: dict[str, Any] = {
        "parts": parts,
        "movements": movements,
        "directions": directions,
        "kinds": dict(take.texts(words, "kind")),
        "attachments": dict(take.texts(words, "attachment")),
        "reversed_signs": tuple(take.items(raw, "reversed_signs", str)),
        "answered": tuple(take.items(raw, "answered", str)),
        "file": take.value(raw, "file", str, ""),
        "notation": take.value(raw, "notation", str, ""),
        **{c: take.value(raw, c, str, next(iter(options))) for c, options in CHOICES.items()},
    }
    if take.wrong:
        lines = "\n".join(f"- {w}" for w in take.wrong)
        raise InputError(f"The mapping cannot be used:\n{lines}")
    return Mapping(**read)


class _Take:
    """Takes values of the right type out of raw TOML, and lists what is of another."""

    def __init__(self) -> None:
        self.wrong: list[str] = []

    def value(self, raw: Dict[str, Any], key: str, kind: type, default: Any) -> Any:
        found = raw.get(key, default)
        if not isinstance(found, kind) or (kind is int and isinstance(found, bool)):
            self.wrong.append(f"{key} is not {_KINDS[kind]}: {found!r}"[:200])
            return default
        return found

    def items(self, raw: Dict[str, Any], key: str, kind: type) -> list[Any]:
        found = self.value(raw, key, list, [])
        fine = [item for item in found if isinstance(item, kind) and not isinstance(item, bool)]
        if len(fine) < len(found):
            self.wrong.append(f"{key} holds something else than {_KINDS[kind]}")
        return fine

    def texts(self, raw: Dict[str, Any], key: str) -> list[tuple[str, str]]:
        found = self.value(raw, key, dict, {})
        fine = [(k, v) for k, v in found.items() if isinstance(v, str)]
        if len(fine) < len(found):
            self.wrong.append(f"{key} holds something else than text")
        return fine

    def unknown(self, raw: Dict[str, Any], known: set[str], where: str) -> None:
        for key in raw:
            if key not in known:
                self.wrong.append(f"{where + '.' if where else ''}{key}: there is no such entry")


_KINDS = {int: "a whole number", str: "text", dict: "a table", list: "a list"}


def _part(take: _Take, raw: Dict[str, Any], count: int) -> Part:
    take.unknown(
        raw, {"sheet", "headings", "fill_down", "columns", "every_row", "wide"}, f"part {count}"
    )
    wide = {}
    for heading, what in take.value(raw, "wide", dict, {}).items():
        if not isinstance(what, dict) or not set(what) <= {
            "number", "movement", "tooth", "course", "way"
        }:  # fmt: skip
            take.wrong.append(f"part {count}, wide, {heading!r}: give number, movement, tooth")
            continue
        wide[heading] = Wide(
            take.value(what, "number", str, ""),
            take.value(what, "movement", str, ""),
            take.value(what, "tooth", str, ""),
            take.value(what, "course", int, 0),
            take.value(what, "way", str, ""),
        )
    every = take.value(raw, "every_row", dict, {})
    fine = {k: v for k, v in every.items() if type(v) in (str, int)}
    if len(fine) < len(every):
        take.wrong.append(
            f"part {count}, every_row holds something else than text or whole numbers"
        )
    return Part(
        take.value(raw, "sheet", str, ""),
        tuple(take.items(raw, "headings", int)),
        dict(take.texts(raw, "columns")),
        wide,
        fine,
        tuple(take.items(raw, "fill_down", str)),
    )


def _movement_word(take: _Take, word: str, said: str) -> tuple[str, int]:
    movement, _, sign = said.partition(" ")
    return movement, _sign(take, word, sign)


def _sign(take: _Take, word: str, said: object) -> int:
    if said not in _SIGN_OF:
        take.wrong.append(f"{word!r}: the direction is 'positive' or 'negative', not {said!r}")
    return _SIGN_OF.get(str(said), 0)

"""Workbooks that are zip archives: only their tables, unpacked within a limit.

What a reader of tables does not need (macros, links to other files, pictures, what is embedded)
never reaches it. Sizes are those found on unpacking, not those the archive declares.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib

from outcomes.cohort.sizes import UNPACKED_MB, megabytes
from outcomes.errors import Unreadable

_NOT_NEEDED = (
    "vbaproject", "externallink", "media/", "embeddings/", "printersettings", "activex",
    "ctrlprops", "drawings/", "charts/", "theme/", "thumbnails/", "pictures/", "object ",
    "customxml", "docprops/", "comments", "scripts/", "basic/",
)  # fmt: skip
_CHUNK = 1 << 20
_MOST_PARTS = 5000


def unpacked(data: bytes) -> dict[str, bytes]:
    """Parts of a workbook that tell of its tables.

    Raises
    ------
    Unreadable
        If the archive is damaged, protected, or larger than the limit once unpacked.
    """
    parts: dict[str, bytes] = {}
    most = UNPACKED_MB.value()
    left = most * 1_000_000
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = archive.infolist()
        if len(entries) > _MOST_PARTS:
            raise _bad(f"it has {len(entries):,} parts")
        for entry in entries:
            name = entry.filename
            if entry.is_dir() or any(part in name.casefold() for part in _NOT_NEEDED):
                continue
            if name in parts:
                raise _bad(f"two parts are called {name}")
            if entry.flag_bits & 1:
                raise Unreadable(
                    "the workbook is protected by a password",
                    "Save a copy without password, and read that.",
                )
            if entry.file_size > left:
                total = sum(e.file_size for e in entries)
                UNPACKED_MB.hold(megabytes(max(total, most * 1_000_000 + 1)), "the workbook")
            parts[name] = _part(data, entry)
            left -= len(parts[name])
            _check_xml(name, parts[name])
    return parts


def _part(data: bytes, entry: zipfile.ZipInfo) -> bytes:
    """One part; never more than it declares, which is checked against the limit before."""
    start = entry.header_offset
    head = data[start : start + 30]
    if len(head) < 30 or head[:4] != b"PK\x03\x04":
        raise _bad("a part is not where it should be")
    name_length, extra_length = struct.unpack("<HH", head[26:30])
    start += 30 + name_length + extra_length
    packed = data[start : start + entry.compress_size]
    if entry.compress_type == zipfile.ZIP_STORED:
        content = packed
    elif entry.compress_type == zipfile.ZIP_DEFLATED:
        packer = zlib.decompressobj(-15)
        try:
            content = packer.decompress(packed, entry.file_size + 1)
        except zlib.error:
            raise _bad(f"{entry.filename} is damaged") from None
    else:
        raise _bad("it is packed in a way spreadsheets do not use")
    if len(content) != entry.file_size or zlib.crc32(content) != entry.CRC:
        raise _bad(f"{entry.filename} is damaged, or larger than it says")
    return content


def _check_xml(name: str, content: bytes) -> None:
    if not name.casefold().endswith((".xml", ".rels")):
        return
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in content[:200]:
        raise _bad(f"{name} is not in UTF-8")
    if b"<!" in content and (b"<!DOCTYPE" in content or b"<!ENTITY" in content):
        raise _bad(f"{name} declares entities, which no table needs")


def repacked(parts: dict[str, bytes]) -> bytes:
    """The parts as an archive again, without packing."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    return buffer.getvalue()


def _bad(why: str) -> Unreadable:
    return Unreadable(
        f"not a workbook that can be read safely: {why}",
        "Open it in a spreadsheet program and save it anew as .xlsx, or as .csv.",
    )

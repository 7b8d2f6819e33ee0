"""Reads the elements of a plain header several times quicker than pydicom's general reader.

Plain is what nearly every slice is: a preamble, explicit VR, little endian (also of compressed files), no element
of undefined length before the pixels. Anything else gives None, and pydicom reads it.
"""

from __future__ import annotations

import struct
from typing import Any

from pydicom.charset import convert_encodings
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.tag import BaseTag

PIXEL_TAGS = {0x7FE00010: "integer", 0x7FE00008: "float", 0x7FE00009: "double"}
"""Elements that hold a picture (PS3.3 C.7.6.3, C.7.6.24, C.7.6.25)."""

_NOT_PLAIN = frozenset(["1.2.840.10008.1.2", "1.2.840.10008.1.2.2", "1.2.840.10008.1.2.1.99"])
"""Implicit VR, big endian, deflated."""

_LONG = frozenset(b"OB OD OF OL OV OW SQ SV UC UN UR UT UV".split())
"""Value representations whose length takes four bytes (PS3.5 table 7.1-1)."""

_SHORT = frozenset(b"AE AS AT CS DA DS DT FD FL IS LO LT PN SH SL SS ST TM UI UL US".split())
"""Those whose length takes two bytes (PS3.5 table 7.1-2)."""

_SYNTAX, _CHARACTER_SET = 0x00020010, 0x00080005
_LONGEST = 0xFFFFFFFF

_words = {vr: vr.decode("ascii") for vr in _LONG | _SHORT}
_head = struct.Struct("<HH2sH").unpack_from
_long = struct.Struct("<I").unpack_from


def quick_header(head: bytes) -> tuple[Dataset, int] | None:
    """Give the elements before the picture, and where the picture's element starts.

    Parameters
    ----------
    head : bytes
        Beginning of a file, with the picture's element in it.

    Returns
    -------
    tuple of Dataset and int, or None
        None where the header is not plain, or the picture was not reached.
    """
    if head[128:132] != b"DICM":
        return None
    meta: dict[BaseTag, RawDataElement] = {}
    elements: dict[BaseTag, RawDataElement] = {}
    at, last, end = 132, 0, len(head) - 12
    while at <= end:
        group, element, vr, length = _head(head, at)
        tag = group << 16 | element
        if tag in PIXEL_TAGS:
            return _dataset(meta, elements, at)
        start = at + 8
        if vr in _LONG:
            length, start = _long(head, start)[0], start + 4
        elif vr not in _SHORT:
            return None
        at = start + length
        # Elements out of order are damage; pydicom is asked what it makes of them.
        if length == _LONGEST or at > len(head) or tag <= last:
            return None
        last = tag
        raw = RawDataElement(BaseTag(tag), _words[vr], length, head[start:at], start, False, True)
        (meta if group == 2 else elements)[raw.tag] = raw
    return None


def _dataset(meta: dict[Any, Any], elements: dict[Any, Any], picture: int) -> tuple[Dataset, int] | None:
    syntax = meta.get(_SYNTAX)
    if syntax is None or syntax.value.decode("latin-1").strip(" \0") in _NOT_PLAIN:
        return None
    dataset = Dataset(elements)
    dataset.file_meta = FileMetaDataset(meta)
    charset = elements.get(_CHARACTER_SET)
    names: Any = "" if charset is None else charset.value.decode("latin-1").strip(" \0").split("\\")
    try:
        encoding = convert_encodings(names or "")
    except LookupError:
        return None
    dataset.set_original_encoding(False, True, encoding)
    return dataset, picture

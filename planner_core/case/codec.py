"""Plan to JSON and back (cattrs); arrays over 1 kB, volumes and surfaces go to a blob store, the JSON names them.

The JSON is strict (no NaN): numbers that are not finite are written as texts. A key that this version does not
know is a fault in a row of today's format and is passed over only when a newer case is shown read-only.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Callable, Mapping
from enum import StrEnum
from functools import cache
from typing import Any, Protocol, get_args, get_origin
from weakref import WeakKeyDictionary, proxy

import attrs
import numpy as np
from cattrs import Converter, transform_error

from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume

FORMAT = 1
"""Number of today's format of a revision's JSON; grows with every change that an older program cannot read."""

INLINE_BYTES = 1024
"""Arrays up to this size stand in the JSON itself, larger ones in a blob (our choice: a row stays readable)."""

Json = dict[str, Any]

MIGRATIONS: Mapping[int, Callable[[Json], Json]] = {}
"""From format n to n + 1; each older format keeps a sample in tests/old_cases."""


class BlobPort(Protocol):
    """Where the arrays go: gives a short JSON for each and takes it back."""

    def put_array(self, array: AnyArray) -> Json:
        """Store an array, give its reference."""

    def get_array(self, reference: Json) -> AnyArray:
        """Give the array of a reference."""

    def put_volume(self, volume: Volume) -> Json:
        """Store a volume, give its reference."""

    def get_volume(self, reference: Json) -> Volume:
        """Give the volume of a reference."""

    def put_surface(self, surface: Surface) -> Json:
        """Store a surface, give its reference."""

    def get_surface(self, reference: Json) -> Surface:
        """Give the surface of a reference."""


def plan_to_json(plan: Plan, blobs: BlobPort) -> str:
    """Give a plan as one line of JSON; its arrays are in `blobs` when this returns."""
    return dumps(_converter(blobs, forbid_extra=True).unstructure(plan))


def plan_from_json(data: Json, blobs: BlobPort, tolerant: bool = False) -> Plan:
    """Give the plan of a JSON object of today's format.

    Raises
    ------
    PlannerError
        With the faulty place, when the JSON is not a plan. `tolerant` passes over keys that are not known.
    """
    converter = _converter(blobs, forbid_extra=not tolerant)
    try:
        return converter.structure(data, Plan)
    except PlannerError:
        raise
    except Exception as fault:
        raise PlannerError(
            f"The plan cannot be read: {_first_fault(fault)}.",
            "Open the case with the program version that wrote it.",
        ) from fault


def migrated(data: Json, from_format: int) -> Json:
    """Give the JSON of an older format as today's."""
    for number in range(from_format, FORMAT):
        data = MIGRATIONS[number](data)
    return data


def plain(value: Any) -> Any:
    """Give any value of a plan as plain JSON for fingerprints; volumes and surfaces by their content hash."""
    return _plain_converter().unstructure(value)


def from_plain(data: Any, wanted: Any) -> Any:
    """Give a value of type `wanted` (an attrs class, enum, mapping, union with None) from JSON without blobs.

    Raises
    ------
    PlannerError
        With the faulty place.
    """
    try:
        return _plain_converter().structure(data, wanted)
    except PlannerError:
        raise
    except Exception as fault:
        raise PlannerError(f"A value does not fit: {_first_fault(fault)}.", "Correct it and try again.") from fault


def dumps(data: Any) -> str:
    """Give strict, stable JSON on one line."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def blob_names(data: Any) -> set[str]:
    """Give the file names of all blobs that a plan's JSON refers to."""
    found: set[str] = set()
    stack = [data]
    while stack:
        item = stack.pop()
        if isinstance(item, dict):
            if isinstance(item.get("blob"), str):
                found.add(item["blob"])
            stack.extend(item.values())
        elif isinstance(item, list):
            stack.extend(item)
    return found


# ---------------------------------------------------------------- how the converter is made


def _is_array(wanted: Any) -> bool:
    return wanted is np.ndarray or get_origin(wanted) is np.ndarray


def _array_dtype(wanted: Any) -> Any:
    for part in get_args(wanted):
        if get_origin(part) is np.dtype:
            scalar = get_args(part)[0]
            if isinstance(scalar, type):
                return scalar
    return None


def _out_inline(array: AnyArray) -> Any:
    if array.dtype.kind in "fiub":
        return _finite_list(array.tolist())
    return {"npy": base64.b64encode(array.tobytes()).decode(), "dtype": array.dtype.str, "shape": array.shape}


def _finite_list(value: Any) -> Any:
    if isinstance(value, list):
        return [_finite_list(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def _in_inline(value: Any, wanted: Any) -> AnyArray:
    dtype = _array_dtype(wanted)
    if isinstance(value, dict) and "npy" in value:
        raw = np.frombuffer(base64.b64decode(value["npy"]), dtype=np.dtype(value["dtype"]))
        return raw.reshape(value["shape"])
    if dtype is None and _all_bool(value):
        return np.array(value, dtype=np.bool_)
    array: AnyArray = np.array(value, dtype=np.float64 if dtype is None else dtype)
    return array


def _all_bool(value: Any) -> bool:
    flat = [value]
    while flat and isinstance(flat[0], list):
        flat = [v for part in flat for v in (part if isinstance(part, list) else [part])]
    return bool(flat) and all(isinstance(v, bool) for v in flat)


def _float_out(value: float) -> Any:
    value = float(value)
    return value if math.isfinite(value) else str(value)


_converters: WeakKeyDictionary[BlobPort, dict[bool, Converter]] = WeakKeyDictionary()


def _converter(blobs: BlobPort, forbid_extra: bool) -> Converter:
    """Give the converter of a blob store; making one takes longer than using it, so each store keeps its own."""
    kept = _converters.setdefault(blobs, {})
    if forbid_extra not in kept:
        kept[forbid_extra] = _new_converter(proxy(blobs), forbid_extra)
    return kept[forbid_extra]


def _new_converter(blobs: BlobPort, forbid_extra: bool) -> Converter:
    converter = _bare(forbid_extra)

    def array_out(array: AnyArray) -> Any:
        return _out_inline(array) if array.nbytes <= INLINE_BYTES else blobs.put_array(array)

    def array_in(value: Any, wanted: Any) -> AnyArray:
        if isinstance(value, dict) and "blob" in value:
            return blobs.get_array(value)
        return _in_inline(value, wanted)

    converter.register_unstructure_hook_func(_is_array, array_out)
    converter.register_structure_hook_func(_is_array, array_in)
    converter.register_unstructure_hook(Volume, lambda volume: blobs.put_volume(volume))
    converter.register_structure_hook(Volume, lambda value, _: blobs.get_volume(value))
    converter.register_unstructure_hook(Surface, lambda surface: blobs.put_surface(surface))
    converter.register_structure_hook(Surface, lambda value, _: blobs.get_surface(value))
    return converter


@cache
def _plain_converter() -> Converter:
    converter = _bare(forbid_extra=True)
    converter.register_unstructure_hook_func(_is_array, _out_inline)
    converter.register_structure_hook_func(_is_array, _in_inline)
    converter.register_unstructure_hook(np.ndarray, _out_inline)
    converter.register_unstructure_hook(Volume, lambda volume: {"content_hash": volume.content_hash})
    converter.register_unstructure_hook(Surface, lambda surface: {"content_hash": surface.content_hash})
    return converter


def _bare(forbid_extra: bool) -> Converter:
    converter = Converter(forbid_extra_keys=forbid_extra)
    converter.register_unstructure_hook(float, _float_out)
    converter.register_structure_hook(float, _float_in)
    converter.register_structure_hook(int, _int_in)
    converter.register_structure_hook(str, _str_in)
    converter.register_structure_hook(bool, _bool_in)
    return converter


def _float_in(value: Any, _: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise TypeError(f"a number is wanted, not {value!r}")
    return float(value)


def _int_in(value: Any, _: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int | float) or int(value) != value:
        raise TypeError(f"a whole number is wanted, not {value!r}")
    return int(value)


def _str_in(value: Any, wanted: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"a text is wanted, not {value!r}")
    # Words of a fixed list (jaw, side, support) are texts too, so they come here.
    return wanted(value) if isinstance(wanted, type) and issubclass(wanted, StrEnum) else value


def _bool_in(value: Any, _: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"true or false is wanted, not {value!r}")
    return value


def _first_fault(fault: BaseException) -> str:
    texts = transform_error(fault) if isinstance(fault, Exception) else []
    return texts[0] if texts else str(fault)


def attrs_fields(cls: type) -> tuple[str, ...]:
    """Give the names of the fields of an attrs class that are stored."""
    return tuple(f.name for f in attrs.fields(cls) if f.init)

"""The blobs of a case: large arrays as files named by the SHA-256 of their bytes.

Volumes are uncompressed NIfTI-1 (any reader opens them; the exact affine stands in the plan's JSON, since NIfTI
keeps it in single precision), surfaces binary PLY, other arrays .npy. A blob is written under a temporary name,
flushed to the disk and renamed, so a file with a full name is whole. Nothing is ever rewritten.
"""

from __future__ import annotations

import hashlib
import re
import uuid
import weakref
from collections.abc import Callable, Iterable
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.case import blob_formats
from planner_core.case.disk import told
from planner_core.errors import PlannerError
from planner_core.files import replacing
from planner_core.geometry.frames import AnyArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.progress import Progress, part_of, silent

BLOB_NAME = re.compile(r"[0-9a-f]{64}\.(nii|ply|npy|bin)")
"""What a blob's file is called."""

CHUNK_BYTES = 1 << 22
"""How much is written or hashed between two reports of progress, bytes (our choice: about 10 ms)."""

Json = dict[str, Any]


class MissingBlobError(PlannerError):
    """A blob that the plan names is not in the folder, or is not whole."""


class BlobFolder:
    """The folder ``blobs/`` of a case, as a `codec.BlobPort`.

    Parameters
    ----------
    folder : Path
    may_map : bool
        Whether volumes may be memory-mapped at first (only on a local disk: a mapped file that shrinks or vanishes
        kills the process).
    progress : Progress
        For writing volumes.
    """

    def __init__(self, folder: Path, may_map: bool = False, progress: Progress = silent) -> None:
        self.folder = folder
        self.may_map = may_map
        self.progress = progress
        self.written: dict[str, int] = {}
        self._by_content: dict[str, str] = {}
        self._objects: weakref.WeakValueDictionary[str, Any] = weakref.WeakValueDictionary()
        self._mapped: weakref.WeakValueDictionary[str, Volume] = weakref.WeakValueDictionary()

    # ------------------------------------------------------------ references

    def put_array(self, array: AnyArray) -> Json:
        """Store an array as .npy."""
        stream = BytesIO()
        np.save(stream, np.ascontiguousarray(array), allow_pickle=False)
        return {"blob": self._write("npy", [stream.getbuffer()])}

    def get_array(self, reference: Json) -> AnyArray:
        """Give an array back."""
        try:
            array: AnyArray = np.load(BytesIO(self._read(reference)), allow_pickle=False)
        except (ValueError, EOFError) as fault:
            raise self._broken(reference) from fault
        return array

    def put_volume(self, volume: Volume, progress: Progress | None = None) -> Json:
        """Store a volume's numbers as NIfTI; its place, scale and frame go into the reference."""
        report = self.progress if progress is None else progress
        volume.hash_content(part_of(report, 0.0, 0.3))
        name = self._by_content.get(volume.content_hash)
        if name is None or not (self.folder / name).exists():
            name = self._write("nii", blob_formats.nifti_parts(volume), part_of(report, 0.3, 1.0))
            self._by_content[volume.content_hash] = name
            self._objects[name + volume.content_hash] = volume
        return {
            "blob": name,
            "content_hash": volume.content_hash,
            "shape": list(volume.shape),
            "lps_from_index": volume.lps_from_index.tolist(),
            "scale": float(volume.scale),
            "offset": float(volume.offset),
            "frame_of_reference_uid": volume.frame_of_reference_uid,
        }

    def get_volume(self, reference: Json) -> Volume:
        """Give a volume back; the same object for the same content."""
        key = str(reference["blob"]) + str(reference["content_hash"])
        known = self._objects.get(key)
        if known is not None:
            return known
        path = self._path(reference)
        shape = tuple(int(n) for n in reference["shape"])
        try:
            stored = blob_formats.read_nifti(path, shape, mapped=self.may_map, progress=self.progress)
        except ValueError as fault:
            raise self._broken(reference) from fault
        volume = Volume(
            stored,
            np.array(reference["lps_from_index"], dtype=np.float64),
            float(reference["scale"]),
            float(reference["offset"]),
            str(reference["frame_of_reference_uid"]),
        )
        # Known from when it was written; `verify_volumes` reads every byte and compares.
        volume._hash.append(str(reference["content_hash"]))
        self._objects[key] = volume
        self._by_content[volume.content_hash] = path.name
        if self.may_map:
            self._mapped[path.name] = volume
        return volume

    def put_surface(self, surface: Surface) -> Json:
        """Store a surface as PLY."""
        name = self._by_content.get(surface.content_hash)
        if name is None or not (self.folder / name).exists():
            name = self._write("ply", blob_formats.ply_parts(surface))
            self._by_content[surface.content_hash] = name
            self._objects[name + surface.frame] = surface
        return {"blob": name, "frame": surface.frame, "content_hash": surface.content_hash}

    def get_surface(self, reference: Json) -> Surface:
        """Give a surface back; the same object for the same content."""
        key = str(reference["blob"]) + str(reference["frame"])
        known = self._objects.get(key)
        if known is not None:
            return known
        try:
            points, triangles = blob_formats.read_ply(self._read(reference))
        except ValueError as fault:
            raise self._broken(reference) from fault
        surface = Surface(points, triangles, str(reference["frame"]))
        self._objects[key] = surface
        self._by_content[surface.content_hash] = str(reference["blob"])
        return surface

    # ------------------------------------------------------------ raw bytes

    def put_bytes(self, data: bytes) -> str:
        """Store any bytes, for a derived result; gives the file's name. A damaged file of that name is replaced."""
        name = f"{hashlib.sha256(data).hexdigest()}.bin"
        if self.damage_of(name) == "changed":
            with told("writing the case"):
                (self.folder / name).unlink(missing_ok=True)
        return self._write("bin", [memoryview(data)])

    def get_bytes(self, name: str) -> bytes:
        """Give the bytes of a blob by its file's name."""
        return self._read({"blob": name})

    def names(self) -> set[str]:
        """Give the names of all whole blobs in the folder."""
        return {entry.name for entry in self.folder.iterdir() if BLOB_NAME.fullmatch(entry.name)}

    def sweep(self, needed: Iterable[str]) -> tuple[str, ...]:
        """Delete what a killed program left: temporary files and blobs that nothing names. Gives their names."""
        wanted = set(needed)
        gone = []
        for entry in list(self.folder.iterdir()):
            leftover = entry.name.startswith(".new-")
            if leftover or (BLOB_NAME.fullmatch(entry.name) and entry.name not in wanted):
                entry.unlink(missing_ok=True)
                gone.append(entry.name)
        return tuple(sorted(gone))

    def damage_of(self, name: str, progress: Progress = silent) -> str:
        """Give what is wrong with a blob: "missing", "changed", or an empty text."""
        path = self.folder / name
        if not path.is_file():
            return "missing"
        return "" if hash_file(path, progress) == name.split(".")[0] else "changed"

    def bring_into_memory(self, progress: Progress = silent) -> None:
        """Copy every mapped volume into memory and check its hash.

        Raises
        ------
        MissingBlobError
            If a file's bytes are not those that were stored.
        """
        for name, volume in list(self._mapped.items()):
            with told(f"reading {name}"):
                stored = blob_formats.read_nifti(self.folder / name, volume.shape, mapped=False, progress=progress)
            fresh = Volume(stored, volume.lps_from_index, volume.scale, volume.offset)
            if fresh.content_hash != volume.content_hash:
                raise self._broken({"blob": name})
            # The value stays the same, only its bytes move from the mapped file to memory: everything that holds
            # this volume keeps it, and the file may vanish from now on.
            object.__setattr__(volume, "stored", fresh.stored)
            del self._mapped[name]

    # ------------------------------------------------------------ inside

    def _path(self, reference: Json) -> Path:
        name = str(reference["blob"])
        if not BLOB_NAME.fullmatch(name):
            raise PlannerError(f"The plan names a file {name!r} that cannot be one of its own.", "Check the case.")
        path = self.folder / name
        if not path.is_file():
            raise MissingBlobError(
                f"The case misses its file blobs/{name}.",
                "Bring it back from a backup or a packed copy of the case.",
            )
        return path

    def _read(self, reference: Json) -> bytes:
        path = self._path(reference)
        with told(f"reading {path.name}"):
            data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != path.name.split(".")[0]:
            raise self._broken(reference)
        return data

    def _broken(self, reference: Json) -> MissingBlobError:
        return MissingBlobError(
            f"The file blobs/{reference['blob']} of the case is damaged.",
            "Bring it back from a backup or a packed copy of the case.",
        )

    def _write(self, ending: str, parts: Iterable[memoryview], progress: Progress = silent) -> str:
        pieces = [memoryview(part).cast("B") for part in parts]
        total = sum(len(piece) for piece in pieces)
        digest = hashlib.sha256()
        _walk(pieces, digest.update, lambda share: progress(0.5 * share, "Hashing"))
        name = f"{digest.hexdigest()}.{ending}"
        path = self.folder / name
        if not path.exists() or path.stat().st_size != total:
            with told("writing the case"):
                temporary = self.folder / f".new-{uuid.uuid4().hex}"
                with replacing(path, temporary), temporary.open("xb") as stream:
                    _walk(pieces, stream.write, lambda share: progress(0.5 + 0.5 * share, "Writing"))
        self.written[name] = total
        return name


def hash_file(path: Path, progress: Progress = silent) -> str:
    """Give the SHA-256 of a file."""
    digest = hashlib.sha256()
    total = max(1, path.stat().st_size)
    done = 0
    with told(f"reading {path.name}"), path.open("rb") as stream:
        while chunk := stream.read(CHUNK_BYTES):
            digest.update(chunk)
            done += len(chunk)
            progress(min(1.0, done / total), "Checking files")
    return digest.hexdigest()


def _walk(pieces: list[memoryview], take: Callable[[memoryview], Any], report: Callable[[float], None]) -> None:
    total = max(1, sum(len(piece) for piece in pieces))
    done = 0
    for piece in pieces:
        for start in range(0, len(piece), CHUNK_BYTES):
            chunk = piece[start : start + CHUNK_BYTES]
            take(chunk)
            done += len(chunk)
            if total > CHUNK_BYTES:
                report(done / total)

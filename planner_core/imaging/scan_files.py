"""The files behind a scan: a folder, a disc with a DICOMDIR, one file, or a zip (also with zips in it).

Nothing is ever unpacked to a path: members of a zip are read as streams, inner zips into nameless temporary files.
"""

from __future__ import annotations

import io
import os
import stat
import tempfile
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, Any, Self

from attrs import define, field, frozen

from planner_core.errors import PlannerError
from planner_core.progress import Progress, silent

MOST_FILES = 200_000
"""Files looked at in one source, at most (our choice: a disc with many studies has some thousand)."""

MOST_UNPACKED_BYTES = 12 * 1024**3
"""Unpacked size of a zip with all zips in it, at most (our choice: six of the largest volumes)."""

MOST_RATIO = 200.0
"""Unpacked over packed size of a zip beyond RATIO_FROM_BYTES, at most (our choice; scans pack 2 to 10 times)."""

RATIO_FROM_BYTES = 256 * 1024**2
"""Smaller zips are let through at any ratio: blank test volumes pack a thousandfold (our choice)."""

MOST_NESTING = 3
"""Zips within zips, at most (our choice)."""

INNER_ZIP_IN_MEMORY = 16 * 1024**2
"""Inner zips up to this size stay in memory, larger ones go to a nameless temporary file (our choice)."""

_COPY_BYTES = 1024**2
_FLAG_ENCRYPTED = 0x1


@frozen(eq=False)
class ScanFile:
    """One readable file: its name for messages, its size, and how to open it.

    `path` is set for files on the disk only; `open` gives a seekable binary stream.
    """

    name: str
    size: int
    open: Callable[[], IO[bytes]]
    path: Path | None = None

    def head(self, count: int) -> bytes:
        """Give the first `count` bytes, or fewer where the file is shorter."""
        with self.open() as stream:
            return stream.read(min(count, self.size))

    def read_all(self) -> bytes:
        """Give the whole file."""
        return self.head(self.size)


@define(eq=False)
class ScanFiles:
    """The files of one source; close it (or use `with`) to let zips go."""

    files: list[ScanFile] = field(factory=list)
    skipped: Counter[str] = field(factory=Counter)
    _stack: ExitStack = field(factory=ExitStack)
    _unpacked: int = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def add(self, file: ScanFile) -> None:
        """Take one file; too many are refused."""
        if len(self.files) >= MOST_FILES:
            raise PlannerError(
                f"There are more than {MOST_FILES} files here.", "Choose the folder of one patient's scan."
            )
        self.files.append(file)


def collect_files(source: Path, progress: Progress = silent) -> ScanFiles:
    """Find every file behind `source`.

    Parameters
    ----------
    source : Path
        A folder, a zip, a DICOMDIR (its folder is walked: directory records are often incomplete), or one file.

    Raises
    ------
    PlannerError
        If there is nothing at `source`, it cannot be read, or a zip is damaged, locked or grows beyond the limits.
    """
    found = ScanFiles()
    try:
        if _kind_of(source) == "folder":
            _walk(source, found, progress)
        elif source.name.upper() == "DICOMDIR":
            _walk(source.parent, found, progress)
        elif is_zip(source):
            _open_zip(source.name, source.open("rb"), source.stat().st_size, found, 1)
        else:
            found.add(_on_disk(source, source.name, source.stat().st_size))
    except OSError as error:
        found.__exit__()
        raise cannot_read(source, error) from error
    except BaseException:
        found.__exit__()
        raise
    return found


def cannot_read(source: Path, error: OSError) -> PlannerError:
    """Say in words why the system does not let us read `source`."""
    if isinstance(error, FileNotFoundError):
        return PlannerError(f"There is no file or folder {source}.", "Check the path.")
    if isinstance(error, PermissionError):
        return PlannerError(f"{source} may not be read by this user.", "Ask for the right to read it, or copy it.")
    reason = error.strerror or type(error).__name__
    return PlannerError(f"{source} cannot be read ({reason}).", "Copy the scan to this computer and try again.")


def is_zip(path: Path) -> bool:
    """Tell whether a file begins like a zip."""
    with path.open("rb") as stream:
        return stream.read(4) in (b"PK\x03\x04", b"PK\x05\x06")


def _kind_of(source: Path) -> str:
    mode = source.stat().st_mode
    if stat.S_ISDIR(mode):
        return "folder"
    if stat.S_ISREG(mode):
        return "file"
    raise PlannerError(f"{source} is neither a folder nor a file.", "Choose the scan's folder, zip or file.")


def _on_disk(path: Path, name: str, size: int) -> ScanFile:
    return ScanFile(name, size, lambda: path.open("rb"), path)


def _walk(folder: Path, found: ScanFiles, progress: Progress) -> None:
    """Take every regular file below `folder`; zips in it are opened too."""

    def refuse(error: OSError) -> None:
        if error.filename in (str(folder), folder):
            raise error
        found.skipped["folder that may not be read"] += 1

    for place, folders, names in os.walk(folder, onerror=refuse):
        folders.sort()
        progress(0.0, "Looking for files")
        for name in sorted(names):
            path = Path(place) / name
            try:
                status = path.stat()
                if not stat.S_ISREG(status.st_mode):
                    found.skipped["not a regular file"] += 1
                    continue
                shown = str(path.relative_to(folder))
                if path.suffix.lower() == ".zip" and is_zip(path):
                    _open_zip(shown, path.open("rb"), status.st_size, found, 1)
                else:
                    found.add(_on_disk(path, shown, status.st_size))
            except OSError:
                found.skipped["file that may not be read"] += 1


def _open_zip(name: str, stream: IO[bytes], size: int, found: ScanFiles, depth: int) -> None:
    """Take the members of a zip, after its promised sizes have been checked."""
    found._stack.enter_context(stream)
    try:
        archive = found._stack.enter_context(zipfile.ZipFile(stream))
        members = [member for member in archive.infolist() if not member.is_dir()]
    except Exception as error:  # zipfile lets many kinds out on damaged directories
        raise PlannerError(f"The zip {name} is damaged.", "Copy or download it again.") from error
    _check_zip(name, members, size, found)
    for member in members:
        shown = f"{name}/{member.filename}"
        if member.flag_bits & _FLAG_ENCRYPTED:
            raise PlannerError(
                f"The zip {name} is locked with a password.", "Unpack it first, then choose the folder."
            )
        if member.filename.lower().endswith(".zip"):
            if depth >= MOST_NESTING:
                found.skipped["zip nested too deeply"] += 1
                continue
            inner = _copy_member(archive, member, shown)
            _open_zip(shown, inner, member.file_size, found, depth + 1)
        else:
            found.add(ScanFile(shown, member.file_size, _member_opener(archive, member, shown)))


def _check_zip(name: str, members: list[zipfile.ZipInfo], size: int, found: ScanFiles) -> None:
    total = sum(member.file_size for member in members)
    found._unpacked += total
    if found._unpacked > MOST_UNPACKED_BYTES:
        raise PlannerError(
            f"The zip {name} would unpack to {found._unpacked / 1024**3:.1f} GB.",
            f"Unpack it yourself if you trust it; more than {MOST_UNPACKED_BYTES // 1024**3} GB is not taken.",
        )
    if total > RATIO_FROM_BYTES and total > MOST_RATIO * size:
        raise PlannerError(
            f"The zip {name} would unpack to {total / max(size, 1):.0f} times its size, as no scan does.",
            "Unpack it yourself if you trust it, and choose the folder.",
        )


class _Checked(io.RawIOBase):
    """A member of a zip whose errors become sentences, and which never gives more than it promised."""

    def __init__(self, inner: IO[bytes], name: str, left: int) -> None:
        super().__init__()
        self.inner, self.name, self.left = inner, name, left

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return False

    def readinto(self, buffer: Any) -> int:
        try:
            data = self.inner.read(min(len(buffer), self.left))
        except (zipfile.BadZipFile, EOFError, NotImplementedError, OSError, ValueError) as error:
            raise _damaged(self.name) from error
        except Exception as error:  # zlib, lzma and bz2 raise their own kinds
            raise _damaged(self.name) from error
        self.left -= len(data)
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self.inner.close()
        super().close()


def _damaged(name: str) -> PlannerError:
    return PlannerError(f"{name} in the zip is damaged.", "Copy or download the zip again.")


def _member_stream(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> IO[bytes]:
    try:
        return io.BufferedReader(_Checked(archive.open(member), shown, member.file_size), _COPY_BYTES)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, ValueError, EOFError) as error:
        raise _damaged(shown) from error


def _member_opener(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> Callable[[], IO[bytes]]:
    return lambda: _member_stream(archive, member, shown)


def _copy_member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> IO[bytes]:
    """Copy an inner zip to where it can be searched: memory, or a nameless temporary file."""
    target = tempfile.SpooledTemporaryFile(max_size=INNER_ZIP_IN_MEMORY)  # noqa: SIM115 - the stack closes it
    with _member_stream(archive, member, shown) as stream:
        for block in _blocks(stream):
            target.write(block)
    target.seek(0)
    return target


def _blocks(stream: IO[bytes]) -> Iterator[bytes]:
    while block := stream.read(_COPY_BYTES):
        yield block

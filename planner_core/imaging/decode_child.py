"""The other side of `decode_pool`: a process of its own that runs the decoders written in C.

A damaged picture can make them crash or run for ever; then this process is the one that ends. It reads jobs from
standard input and answers on standard output; it ends when its input does.

A job is a line of JSON and the bytes that it announces. The answer to each frame is one byte, OK or FAILED, and
after OK the plane as int16; the first failure ends the job. The answer to a file is OK, a line of JSON, numbers.
"""

from __future__ import annotations

import json
import os
import sys
from typing import IO, Any

OK, FAILED = b"\x01", b"\x00"
READY = b"ready\n"

FRAMES_BYTES, FILE_BYTES = 1280 * 1024**2, 6 * 1024**3
"""Memory that decoding pictures, or reading a file, may take above what the process has anyway (our choice: a
picture needs 0.2 GB at most, the largest volume by SimpleITK twice its size)."""

LIBRARIES = {
    "gdcm": ("gdcm",),
    "pillow": ("PIL",),
    "pylibjpeg": ("pylibjpeg", "openjpeg"),
    "pyjpegls": ("jpeg_ls",),
}
"""What pydicom's plugins load; those that a process is not started for are kept out of its memory (20 MB)."""


def main() -> None:
    """Answer jobs until the input ends."""
    answers = os.fdopen(os.dup(1), "wb")
    # What the libraries print must not get among the answers.
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    for name in set(LIBRARIES) - set(sys.argv[1:]):
        for module in LIBRARIES[name]:
            sys.modules[module] = None  # type: ignore[assignment]
    jobs = sys.stdin.buffer
    answers.write(READY)
    answers.flush()
    while line := jobs.readline():
        job = json.loads(line)
        _limit_memory(FRAMES_BYTES if job["work"] == "frames" else FILE_BYTES)
        if job["work"] == "frames":
            _frames(job, jobs.read(job["bytes"]), answers)
        else:
            _file(job, answers)
        answers.flush()


def _limit_memory(most_bytes: int) -> None:
    """Let allocations fail that go beyond `most_bytes` above what is taken now; only where the system can."""
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as stream:
            taken = int(stream.read().split()[0]) * resource.getpagesize()
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        wanted = taken + most_bytes
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
    except (ImportError, ValueError, OSError):  # not on this system
        return


def _frames(job: dict[str, Any], data: bytes, answers: IO[bytes]) -> None:
    """Decode frames of one encapsulated picture with the plugin named."""
    import warnings

    warnings.simplefilter("ignore")
    for frame in job["frames"]:
        try:
            plane = _decode(job, data, frame)
        except Exception:  # every codec has its own errors
            answers.write(FAILED)
            return
        answers.write(OK + plane)
        answers.flush()


def _decode(job: dict[str, Any], data: bytes, frame: int) -> bytes:
    import numpy as np
    from pydicom.pixels import get_decoder
    from pydicom.uid import UID

    failure: Exception | None = None
    decoder = get_decoder(UID(job["syntax"]))
    for plugin in job["plugins"]:
        if plugin not in decoder.available_plugins:
            continue
        try:
            plane, _ = decoder.as_array(
                data, index=frame, raw=True, decoding_plugin=plugin, pixel_vr="OW", **job["how"]
            )
            if plane.shape != (job["how"]["rows"], job["how"]["columns"]):
                raise ValueError("a picture of another size")
            words = np.int16 if plane.dtype.kind == "i" else np.uint16
            return bytes(np.ascontiguousarray(plane.astype(words, copy=False)).view(np.int16).tobytes())
        except Exception as error:  # every codec has its own errors
            failure = error
    raise failure or ValueError("no plugin")


def _file(job: dict[str, Any], answers: IO[bytes]) -> None:
    """Read a NRRD or MetaImage file by SimpleITK."""
    import numpy as np
    import SimpleITK as sitk  # noqa: N813 - its usual name

    try:
        reader = sitk.ImageFileReader()
        reader.SetFileName(job["path"])
        reader.ReadImageInformation()
        shape = [int(n) for n in reader.GetSize()]
        facts: dict[str, Any] = {"shape": shape, "components": int(reader.GetNumberOfComponents())}
        per_voxel = {sitk.sitkInt8: 1, sitk.sitkUInt8: 1, sitk.sitkInt16: 2, sitk.sitkUInt16: 2}
        facts["bytes"] = int(np.prod(shape, dtype=object)) * per_voxel.get(reader.GetPixelID(), 4)
        if len(shape) != 3 or facts["components"] != 1 or facts["bytes"] > job["most_bytes"]:
            answers.write(OK + json.dumps(facts).encode() + b"\n")
            return
        image = reader.Execute()
        numbers = np.ascontiguousarray(sitk.GetArrayViewFromImage(image))
        facts["dtype"] = numbers.dtype.str
        facts["direction"] = image.GetDirection()
        facts["spacing"] = image.GetSpacing()
        facts["origin"] = image.GetOrigin()
        answers.write(OK + json.dumps(facts).encode() + b"\n")
        answers.write(numbers.data)
    except Exception:  # SimpleITK raises RuntimeError for everything
        answers.write(FAILED)


if __name__ == "__main__":
    main()

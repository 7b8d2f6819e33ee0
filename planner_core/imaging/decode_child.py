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

JPEG_EXTENDED = "1.2.840.10008.1.2.4.51"

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
            _frames(job, jobs, answers)
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


def _frames(job: dict[str, Any], jobs: IO[bytes], answers: IO[bytes]) -> None:
    """Decode the pictures that follow the job, each alone."""
    import warnings

    warnings.simplefilter("ignore")
    frames = [jobs.read(size) for size in job["sizes"]]
    while frames:
        try:
            plane = _decode(job, frames.pop(0))
        except Exception:  # every codec has its own errors
            answers.write(FAILED)
            return
        answers.write(OK)
        answers.write(plane)
        answers.flush()


def _decode(job: dict[str, Any], frame: bytes) -> memoryview:
    import numpy as np

    if job["plugins"] == ["pyjpegls"]:
        plane = _jpeg_ls(frame, job["how"])
    elif job["syntax"] == JPEG_EXTENDED and job["how"]["bits_stored"] > 8:
        plane = _jpeg_12_bit(frame, job["how"])
    else:
        plane = _by_pydicom(job, frame)
    if plane.shape != (job["how"]["rows"], job["how"]["columns"]):
        raise ValueError("a picture of another size")
    words = np.int16 if plane.dtype.kind == "i" else np.uint16
    return np.ascontiguousarray(plane.astype(words, copy=False)).data.cast("B")


def _jpeg_ls(frame: bytes, how: dict[str, Any]) -> Any:
    """Decode by pyjpegls alone: pydicom and what it loads would take 30 MB more in every process."""
    import jpeg_ls
    import numpy as np

    data, facts = jpeg_ls.decode_pixel_data(frame)
    bits = int(facts["bits_per_sample"])
    if facts["components"] != 1 or not 0 < bits <= how["bits_allocated"]:
        raise ValueError("a picture of another kind")
    words = np.frombuffer(data, "<u1" if bits <= 8 else "<u2").reshape(facts["height"], facts["width"])
    if not how["pixel_representation"]:
        return words
    # The codestream knows no sign (ITU-T T.87): the highest of its bits is the sign.
    signed = words.astype(np.int16)
    return (signed << (16 - bits)) >> (16 - bits)


def _jpeg_12_bit(frame: bytes, how: dict[str, Any]) -> Any:
    """Decode by GDCM alone: pydicom's plugin refuses, though the pictures are DCMTK's bit for bit (tested)."""
    import gdcm
    import numpy as np

    fragment = gdcm.Fragment()
    fragment.SetByteStringValue(frame)
    fragments = gdcm.SequenceOfFragments.New()
    fragments.AddFragment(fragment)
    element = gdcm.DataElement(gdcm.Tag(0x7FE0, 0x0010))
    element.SetValue(fragments.__ref__())
    image = gdcm.Image()
    image.SetNumberOfDimensions(2)
    image.SetDimensions((how["columns"], how["rows"], 1))
    image.SetDataElement(element)
    grey = gdcm.PhotometricInterpretation.GetPIType("MONOCHROME2")
    image.SetPhotometricInterpretation(gdcm.PhotometricInterpretation(grey))
    image.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(JPEG_EXTENDED)))
    bits = how["bits_stored"]
    image.SetPixelFormat(gdcm.PixelFormat(1, 16, bits, bits - 1, how["pixel_representation"]))
    words = np.frombuffer(image.GetBuffer().encode("utf-8", "surrogateescape"), "<u2")
    return words.reshape(how["rows"], how["columns"])


def _by_pydicom(job: dict[str, Any], frame: bytes) -> Any:
    from pydicom.encaps import encapsulate
    from pydicom.pixels import get_decoder
    from pydicom.uid import UID

    failure: Exception | None = None
    decoder = get_decoder(UID(job["syntax"]))
    data = encapsulate([frame])
    for plugin in job["plugins"]:
        if plugin not in decoder.available_plugins:
            continue
        try:
            return decoder.as_array(
                data, index=0, raw=True, decoding_plugin=plugin, pixel_vr="OW", number_of_frames=1, **job["how"]
            )[0]
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

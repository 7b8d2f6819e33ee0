"""Damaged inputs for the readers: valid samples and what is done to them, the same for the same seed."""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import nibabel
import numpy as np
import pydicom
import trimesh
from pydicom import uid

from tests.core.imaging.made_series import picture, write_multiframe, write_series

SYNTAXES = {
    "explicit": uid.ExplicitVRLittleEndian,
    "implicit": uid.ImplicitVRLittleEndian,
    "deflated": uid.DeflatedExplicitVRLittleEndian,
    "rle": uid.RLELossless,
    "jpeg-ls": uid.JPEGLSLossless,
    "jpeg-2000": uid.JPEG2000Lossless,
}

FORMATS = ("dicom", "dicom", "dicom", "nifti", "stl", "ply", "obj", "zip", "3mf", "nrrd")
"""What is damaged, in turn; DICOM most often, since it has most ways to go wrong."""

INTERESTING = (0, 1, 2, 7, 8, 15, 16, 127, 128, 255, 256, 4096, 32767, 32768, 65535, 2**31 - 1, 2**31, 2**32 - 1)


def _small(**how: object) -> np.ndarray:
    return picture(slices=3, rows=32, columns=32, **how)  # type: ignore[arg-type]


def samples(folder: Path) -> dict[str, list[tuple[str, bytes]]]:
    """Make the valid samples: per format a list of (name to write under, content).

    For DICOM the name is ``syntax/file``; the series' other files are written by `prepare`.
    """
    found: dict[str, list[tuple[str, bytes]]] = {"dicom": []}
    for name, syntax in SYNTAXES.items():
        series = write_series(folder / "dicom" / name, _small(), syntax=syntax)
        found["dicom"] += [(f"{name}/{path.name}", path.read_bytes()) for path in sorted(series.iterdir())]
    found["dicom"] += _jpeg_lossless(folder / "dicom" / "jpeg")
    for name, syntax in (("frames", uid.ExplicitVRLittleEndian), ("frames-rle", uid.RLELossless)):
        (folder / "dicom" / name).mkdir()
        path = write_multiframe(folder / "dicom" / name / "one", _small(low=0, high=3000), syntax=syntax)
        found["dicom"].append((f"{name}/one", path.read_bytes()))
    volume = _small().astype(np.int16).transpose(2, 1, 0)
    found["nifti"] = []
    for ending in (".nii", ".nii.gz"):
        image = nibabel.Nifti1Image(volume, np.diag([0.3, 0.3, 0.4, 1])).to_bytes()
        found["nifti"].append((f"a{ending}", gzip.compress(image, mtime=0) if ending == ".nii.gz" else image))
    mesh = trimesh.creation.icosphere(subdivisions=1, radius=30.0)
    found["stl"] = [("a.stl", _bytes(mesh.export(file_type=kind))) for kind in ("stl", "stl_ascii")]
    found["ply"] = [("a.ply", _bytes(mesh.export(file_type="ply", encoding=kind))) for kind in
                    ("binary_little_endian", "ascii")]  # fmt: skip
    found["obj"] = [("a.obj", _bytes(mesh.export(file_type="obj")))]
    found["3mf"] = [("a.3mf", _three_mf(mesh))]
    found["nrrd"] = [("a.nrrd", _nrrd(volume)), ("a.mha", _metaimage(volume))]
    found["zip"] = [
        ("a.zip", _zipped(found["dicom"][:3])),
        ("a.zip", _zipped([("b.zip", _zipped(found["dicom"][:3]))])),
    ]
    return found


def _jpeg_lossless(folder: Path) -> list[tuple[str, bytes]]:
    """The same series as most scanners pack it; gdcm has the encoder."""
    import gdcm

    found = []
    for path in sorted(write_series(folder, _small(low=0, high=4000), signed=False, bits=12).iterdir()):
        reader, change, writer = gdcm.ImageReader(), gdcm.ImageChangeTransferSyntax(), gdcm.ImageWriter()
        dataset = pydicom.dcmread(path)
        reader.SetFileName(str(path))
        reader.Read()
        change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
        change.SetInput(reader.GetImage())
        change.Change()
        writer.SetFileName(str(path))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        writer.Write()
        # gdcm gives the file new identifiers, another on every run: only its picture is wanted.
        dataset.PixelData = pydicom.dcmread(path).PixelData
        dataset["PixelData"].VR, dataset["PixelData"].is_undefined_length = "OB", True
        dataset.file_meta.TransferSyntaxUID = uid.JPEGLosslessSV1
        dataset.save_as(path, enforce_file_format=True)
        found.append((f"jpeg/{path.name}", path.read_bytes()))
    return found


def _bytes(content: str | bytes) -> bytes:
    return content.encode() if isinstance(content, str) else content


def _zipped(members: list[tuple[str, bytes]]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            # With a fixed date: the bytes must be the same on every run.
            archive.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _three_mf(mesh: trimesh.Trimesh) -> bytes:
    vertices = "".join(f'<vertex x="{x:.4f}" y="{y:.4f}" z="{z:.4f}"/>' for x, y, z in mesh.vertices)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces)
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    package = "http://schemas.openxmlformats.org/package/2006"
    model = (
        f'<model unit="millimeter" xmlns="{core}"><resources><object id="1" type="model"><mesh>'
        f"<vertices>{vertices}</vertices><triangles>{triangles}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    types = (
        f'<Types xmlns="{package}/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="model" '
        'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
    )
    links = (
        f'<Relationships xmlns="{package}/relationships"><Relationship Target="/3D/3dmodel.model" Id="r0" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    members = (("[Content_Types].xml", types), ("_rels/.rels", links), ("3D/3dmodel.model", model))
    return _zipped([(name, content.encode()) for name, content in members])


def _nrrd(volume: np.ndarray) -> bytes:
    sizes = " ".join(str(n) for n in volume.shape)
    header = (
        f"NRRD0004\ntype: short\ndimension: 3\nspace: left-posterior-superior\nsizes: {sizes}\n"
        "space directions: (0.3,0,0) (0,0.3,0) (0,0,0.4)\nkinds: domain domain domain\nendian: little\n"
        "encoding: raw\nspace origin: (0,0,0)\n\n"
    )
    return header.encode() + volume.astype("<i2").tobytes(order="F")


def _metaimage(volume: np.ndarray) -> bytes:
    sizes = " ".join(str(n) for n in volume.shape)
    header = (
        "ObjectType = Image\nNDims = 3\nBinaryData = True\nBinaryDataByteOrderMSB = False\nOffset = 0 0 0\n"
        f"ElementSpacing = 0.3 0.3 0.4\nDimSize = {sizes}\nElementType = MET_SHORT\nElementDataFile = LOCAL\n"
    )
    return header.encode() + volume.astype("<i2").tobytes(order="F")


def damaged(kinds: dict[str, list[tuple[str, bytes]]], seed: int, number: int) -> tuple[str, str, bytes]:
    """Give input `number` of a run: format, name to write under, content."""
    rng = np.random.default_rng([seed, number])
    kind = FORMATS[number % len(FORMATS)]
    name, content = kinds[kind][int(rng.integers(len(kinds[kind])))]
    if kind == "zip" and rng.random() < 0.5:
        inner, whole = kinds["dicom"][int(rng.integers(len(kinds["dicom"])))]
        return kind, name, _zipped([(inner, _damage(whole, rng)), *kinds["dicom"][:2]])
    if kind == "nifti" and name.endswith(".gz") and rng.random() < 0.7:
        return kind, name, gzip.compress(_damage(gzip.decompress(content), rng), 1, mtime=0)
    return kind, name, _damage(content, rng)


def _damage(content: bytes, rng: np.random.Generator) -> bytes:
    """Do one to four bad things to some bytes; mostly near the beginning, where the headers are."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 5))):
        if not data:
            break
        at = int(rng.integers(len(data)) if rng.random() < 0.4 else rng.integers(min(len(data), 2200)))
        DAMAGES[int(rng.integers(len(DAMAGES)))](data, at, rng)
    return bytes(data)


def _flip(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at] ^= 1 << int(rng.integers(8))


def _byte(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at] = int(rng.integers(256))


def _number(data: bytearray, at: int, rng: np.random.Generator) -> None:
    """Write a number with which sizes go wrong, in one of the usual widths and byte orders."""
    value = INTERESTING[int(rng.integers(len(INTERESTING)))]
    packed = struct.pack("<>"[int(rng.integers(2))] + "I", value & 0xFFFFFFFF)
    width = (1, 2, 4)[int(rng.integers(3))]
    data[at : at + width] = packed[:width] if rng.random() < 0.5 else packed[-width:]


def _digits(data: bytearray, at: int, rng: np.random.Generator) -> None:
    """Change a number that is written as text."""
    for place in range(at, min(at + 400, len(data))):
        if 0x30 <= data[place] <= 0x39:
            choice = (b"9", b"-", b"99999", b"1e300", b"nan", b"0", b".")[int(rng.integers(7))]
            data[place : place + 1] = choice
            return


def _cut(data: bytearray, at: int, rng: np.random.Generator) -> None:
    del data[at:]


def _remove(data: bytearray, at: int, rng: np.random.Generator) -> None:
    del data[at : at + int(rng.integers(1, 64))]


def _repeat(data: bytearray, at: int, rng: np.random.Generator) -> None:
    piece = bytes(data[at : at + int(rng.integers(1, 200))])
    data[at:at] = piece * int(rng.integers(1, 40))


def _fill(data: bytearray, at: int, rng: np.random.Generator) -> None:
    stop = min(len(data), at + int(rng.integers(1, 40)))
    data[at:stop] = bytes([(0, 0xFF, 0x20)[int(rng.integers(3))]]) * (stop - at)


def _swap(data: bytearray, at: int, rng: np.random.Generator) -> None:
    other = int(rng.integers(len(data)))
    size = int(rng.integers(1, 64))
    data[at : at + size], data[other : other + size] = data[other : other + size], data[at : at + size]


DAMAGES: tuple[Callable[[bytearray, int, np.random.Generator], None], ...] = (
    _flip, _byte, _number, _number, _digits, _digits, _cut, _remove, _repeat, _fill, _swap,
)  # fmt: skip

"""A fixture as a DICOM Generic Implant Template: geometry with its mesh, for exchange between programs.

PS3.3 A.61 and C.29.1 (description), C.29.1.3 (3D models), C.27.1 (surface mesh). No patient, study or series. The
template's frame: origin at the platform's centre, +z towards the apex, mm. Attributes were checked by
dicom-validator (STANDARDS.md section 2); other programs were not found to read it as a fixture.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from pydicom import config, dcmread
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.errors import InvalidDicomError
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.fixture import FixtureShape
from planner_core.planning.solids import convex_profile

SOP_CLASS = "1.2.840.10008.5.1.4.43.1"
"""Generic Implant Template Storage (PS3.4)."""

AROUND = 64
"""Corners of each ring of the written mesh (our choice: 0.005 mm off the circle of a 5 mm fixture)."""

DEPTH_BINS_MM = 0.1
"""Step in which the outline is read off a foreign mesh, mm (our choice)."""

SECTORS, SLABS = 8, 5
"""Sides and depths over which a mesh is compared with a body of revolution (our choice)."""

_TITANIUM = ("C-1495F", "SRT", "Titanium")
_ZIRCONIA = ("zirconia", "99PLUMBLINE", "Zirconia ceramic")


def _coded(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def fixture_mesh(shape: FixtureShape, around: int = AROUND) -> Surface:
    """Give a closed mesh of a fixture in its own frame: origin at the platform, +z to the apex."""
    profile = np.asarray(shape.profile_mm)
    turn = np.arange(around) * 2.0 * np.pi / around
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(around, z)]) for z, r in profile]
    levels = len(rings)
    points = np.vstack([*rings, [[0.0, 0.0, profile[0, 0]], [0.0, 0.0, profile[-1, 0]]]])
    i, j = np.meshgrid(np.arange(levels - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    d, e = a + around, b + around
    sides = np.concatenate([np.stack([a, b, e], -1).reshape(-1, 3), np.stack([a, e, d], -1).reshape(-1, 3)])
    k = np.arange(around)
    top, tip = levels * around, levels * around + 1
    last = (levels - 1) * around
    roof = np.stack([(k + 1) % around, k, np.full(around, top)], -1)
    floor = np.stack([last + k, last + (k + 1) % around, np.full(around, tip)], -1)
    return Surface(points, np.concatenate([sides, roof, floor]), f"fixture:{shape.shape_id}")


def write_implant_template(shape: FixtureShape, path: Path, manufacturer: str = "none (generic shape)") -> None:
    """Write a fixture's geometry as a Generic Implant Template.

    Raises
    ------
    PlannerError
        If the file cannot be written.
    """
    mesh = fixture_mesh(shape)
    data = Dataset()
    data.SOPClassUID, data.SOPInstanceUID = SOP_CLASS, generate_uid()
    data.SpecificCharacterSet = "ISO_IR 192"
    now = datetime.now(UTC)
    data.InstanceCreationDate, data.InstanceCreationTime = now.strftime("%Y%m%d"), now.strftime("%H%M%S")
    data.Manufacturer = manufacturer
    data.FrameOfReferenceUID = generate_uid()
    data.ImplantName = shape.label[:64]
    data.ImplantPartNumber = shape.shape_id[:64]
    data.ImplantSize = f"{shape.diameter_mm:g} x {shape.length_mm:g} mm"
    data.ImplantTemplateVersion = "1"
    data.ImplantType = "ORIGINAL"
    data.EffectiveDateTime = now.strftime("%Y%m%d%H%M%S")
    data.MaterialsCodeSequence = [_coded(*(_ZIRCONIA if shape.material == "zirconia" else _TITANIUM))]
    data.ImplantTypeCodeSequence = [_coded("dental-fixture", "99PLUMBLINE", "Dental fixture")]
    data.FixationMethodCodeSequence = [_coded("screw-in", "99PLUMBLINE", "Screwed into bone")]
    data.OverallTemplateSpatialTolerance = 0.01
    data.ImplantTemplate3DModelSurfaceNumber = 1
    data.SurfaceModelDescriptionSequence = [_coded("body", "99PLUMBLINE", "Outer body")]
    data.SurfaceModelLabel = "body"
    data.SurfaceModelScalingFactor = 1.0
    data.NumberOfSurfaces = 1
    data.SurfaceSequence = [_surface_item(mesh)]
    data.file_meta = FileMetaDataset()
    data.file_meta.MediaStorageSOPClassUID = SOP_CLASS
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    try:
        data.save_as(path, enforce_file_format=True)
    except OSError as fault:
        raise PlannerError(f"{path.name} cannot be written: {fault.strerror}.", "Choose another place.") from None


def _surface_item(mesh: Surface) -> Dataset:
    item = Dataset()
    item.SurfaceNumber = 1
    item.SurfaceProcessing = "NO"
    item.RecommendedDisplayGrayscaleValue = 49152
    item.RecommendedPresentationOpacity = 1.0
    item.RecommendedPresentationType = "SURFACE"
    item.FiniteVolume, item.Manifold = "YES", "YES"
    points = Dataset()
    points.NumberOfSurfacePoints = len(mesh.points_mm)
    points.PointCoordinatesData = mesh.points_mm.astype("<f4").tobytes()
    item.SurfacePointsSequence = [points]
    item.SurfacePointsNormalsSequence = []
    primitives = Dataset()
    primitives.LongTrianglePointIndexList = (mesh.triangles.astype("<u4") + 1).tobytes()
    for empty in ("TriangleStripSequence", "TriangleFanSequence", "LineSequence", "FacetSequence"):
        setattr(primitives, empty, [])
    item.SurfaceMeshPrimitivesSequence = [primitives]
    return item


def read_implant_template(path: Path) -> tuple[FixtureShape, Surface, tuple[Finding, ...]]:
    """Read a fixture from a Generic Implant Template: its outline from the mesh, and the mesh in its own frame.

    The outline is the largest radius about +z by depth; a mesh that is not round about +z is a finding.

    Raises
    ------
    PlannerError
        If the file is no template, or has no mesh that can be a fixture.
    """
    try:
        with config.disable_value_validation():
            data = dcmread(path)
    except (InvalidDicomError, OSError, ValueError, KeyError, EOFError, NotImplementedError):
        raise PlannerError(f"{path.name} is not a readable DICOM file.", "Choose an implant template.") from None
    if data.get("SOPClassUID") != SOP_CLASS:
        raise PlannerError(f"{path.name} is not a Generic Implant Template.", "Choose an implant template.")
    points, triangles = _mesh_of(data, path.name)
    scale = float(data.get("SurfaceModelScalingFactor", 1.0) or 1.0)
    points = points * scale
    part = str(data.get("ImplantPartNumber", "") or path.stem)
    mesh = Surface(points, triangles, f"fixture:{part}")
    depth = points[:, 2] - points[:, 2].min()
    findings = []
    if abs(points[:, 2].min()) > 0.01:
        findings.append(
            Finding(
                Severity.NOTE, "template-origin",
                f"The origin lies {-points[:, 2].min():.2f} mm below the top, which is taken as platform.",
            )
        )  # fmt: skip
    profile, uneven = _profile_of(points, depth)
    length, diameter = float(depth.max()), 2.0 * float(profile[:, 1].max())
    if not 3.0 <= length <= 60.0 or not 1.0 <= diameter <= 10.0:
        raise PlannerError(
            f"{path.name} holds a body of {diameter:.1f} x {length:.1f} mm, which is no fixture.",
            "Choose another file.",
        )
    if uneven > 0.15:
        findings.append(
            Finding(Severity.WARNING, "template-not-round",
                    f"The mesh differs from a body of revolution by up to {uneven:.2f} mm; its hull is used.")
        )  # fmt: skip
    label = str(data.get("ImplantName", "") or part)
    material = "zirconia" if _materials(data).lower().find("zircon") >= 0 else "titanium"
    shape = FixtureShape(
        part, label, diameter, length, 2.0 * float(profile[0, 1]), profile, material, generic=False
    )
    return shape, mesh, tuple(findings)


def _materials(data: Dataset) -> str:
    return " ".join(str(item.get("CodeMeaning", "")) for item in data.get("MaterialsCodeSequence", []) or [])


def _mesh_of(data: Dataset, name: str) -> tuple[FloatArray, np.ndarray]:
    try:
        item = data.SurfaceSequence[0]
        points = np.frombuffer(item.SurfacePointsSequence[0].PointCoordinatesData, "<f4").reshape(-1, 3)
        primitives = item.SurfaceMeshPrimitivesSequence[0]
        if primitives.get("LongTrianglePointIndexList"):
            index = np.frombuffer(primitives.LongTrianglePointIndexList, "<u4")
        else:
            index = np.frombuffer(primitives.TrianglePointIndexList, "<u2")
        triangles = index.astype(np.int64).reshape(-1, 3) - 1
        if not len(triangles) or triangles.min() < 0 or triangles.max() >= len(points):
            raise ValueError
    except (AttributeError, IndexError, ValueError, TypeError):
        raise PlannerError(f"{name} has no triangle mesh that can be read.", "Choose another template.") from None
    return points.astype(np.float64), triangles


def _profile_of(points: FloatArray, depth: FloatArray) -> tuple[FloatArray, float]:
    """Give the outline by depth, and by how much the radius differs between the sides of the body, mm."""
    radius = np.hypot(points[:, 0], points[:, 1])
    bins = np.round(depth / DEPTH_BINS_MM).astype(int)
    rows = [(float(depth[bins == k].mean()), float(radius[bins == k].max())) for k in np.unique(bins)]
    rows[0] = (0.0, rows[0][1])
    rows[-1] = (float(depth.max()), rows[-1][1])
    sector = (
        np.floor((np.arctan2(points[:, 1], points[:, 0]) + np.pi) / (2.0 * np.pi) * SECTORS).astype(int) % SECTORS
    )
    slab = np.minimum((depth / depth.max() * SLABS).astype(int), SLABS - 1)
    widest = np.full((SLABS, SECTORS), np.nan)
    for s in range(SLABS):
        for k in range(SECTORS):
            here = radius[(slab == s) & (sector == k)]
            widest[s, k] = here.max() if len(here) else np.nan
    full = widest[~np.isnan(widest).any(axis=1)]
    return convex_profile(np.array(rows)), float(np.ptp(full, axis=1).max()) if len(full) else 0.0

"""Surfaces come in as trimesh, a general-purpose library, reads them; bad files get a sentence."""

from __future__ import annotations

import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import trimesh

from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.imaging.decimate import decimate
from planner_core.imaging.scan import ImportedSurface
from planner_core.imaging.surface_check import check_surface
from planner_core.imaging.surface_files import guess_unit, read_surface, write_ply, write_stl
from tests.shared_data import shared_data

XYZ = b"property float x\nproperty float y\nproperty float z\n"


def lump(scale: float = 1.0) -> trimesh.Trimesh:
    """A closed body of 60 x 45 x 10 without symmetry."""
    mesh = trimesh.creation.icosphere(subdivisions=4)
    vertices = mesh.vertices * np.array([30.0, 22.5, 5.0]) + 0.4 * np.sin(3.0 * mesh.vertices[:, [1, 2, 0]])
    return trimesh.Trimesh(vertices * scale, mesh.faces, process=False)


def codes(read: ImportedSurface) -> set[str]:
    return {finding.code for finding in read.findings}


def same_triangles(surface: Surface, mesh: trimesh.Trimesh, tolerance: float = 1e-4) -> bool:
    ours = surface.points_mm[surface.triangles]
    theirs = np.asarray(mesh.vertices)[mesh.faces]
    return ours.shape == theirs.shape and bool(np.abs(ours - theirs).max() <= tolerance)


@pytest.mark.parametrize(
    ("name", "kind", "options"),
    [
        ("a.stl", "stl", {}),
        ("a.stl", "stl_ascii", {}),
        ("a.ply", "ply", {"encoding": "binary_little_endian"}),
        ("a.ply", "ply", {"encoding": "ascii"}),
        ("a.obj", "obj", {}),
        ("a.3mf", "3mf", {}),
    ],
)
def test_every_format_gives_the_same_surface(tmp_path: Path, name: str, kind: str, options: dict[str, str]):
    mesh = lump()
    (tmp_path / name).write_bytes(_bytes(mesh.export(file_type=kind, **options)))
    read = read_surface(tmp_path / name, "surface:lower")
    assert same_triangles(read.surface, mesh)
    assert len(read.surface.points_mm) == len(mesh.vertices)
    assert read.surface.frame == "surface:lower"
    assert read.unit == "mm"
    report = check_surface(read.surface)
    assert report.watertight
    assert report.volume_mm3 == pytest.approx(mesh.volume, rel=1e-4)


def _bytes(content: str | bytes) -> bytes:
    return content.encode() if isinstance(content, str) else content


def test_open_arches_read_as_trimesh_reads_them():
    """Two whole arches (data/crown_arches, MIT): about 84 000 triangles, 14 to 16 closed bodies, millimetres."""
    for name in ("Lower", "Upper"):
        path = shared_data(f"crown_arches/Ref_{name}_Mesh_Tag=0.obj")
        read = read_surface(path, "surface:x")
        mesh = trimesh.load(path, process=True, force="mesh")
        assert len(read.surface.triangles) == len(mesh.faces)
        assert len(read.surface.points_mm) == len(mesh.vertices)
        assert read.surface.extent_mm == pytest.approx(np.ptp(mesh.vertices, axis=0), abs=1e-6)
        assert read.unit == "mm"
        report = check_surface(read.surface)
        assert report.watertight == mesh.is_watertight
        assert len(report.bodies) == mesh.body_count
        assert "several-bodies" in codes(read)


def test_a_mesh_in_an_unknown_unit_asks_for_it():
    """The skull mesh is 13.9 units long (data/skull_mesh, CC BY 3.0): an arch only if those were centimetres."""
    read = read_surface(shared_data("skull_mesh/skull_low_resolution.obj"), "surface:x")
    assert read.unit == "cm"
    finding = next(one for one in read.findings if one.code == "unit-guessed")
    assert "Confirm" in finding.text
    assert finding.severity == "warning"
    assert read_surface(shared_data("skull_mesh/skull_low_resolution.obj"), "surface:x", "mm").unit == "mm"


@pytest.mark.parametrize(("scale", "unit"), [(1.0, "mm"), (0.1, "cm"), (1 / 25.4, "inch"), (0.001, "m")])
def test_units_are_guessed_from_the_size_of_an_arch(tmp_path: Path, scale: float, unit: str):
    write = lump(scale)
    (tmp_path / "a.stl").write_bytes(write.export(file_type="stl"))
    read = read_surface(tmp_path / "a.stl", "surface:x")
    assert read.unit == unit
    assert read.surface.extent_mm.max() == pytest.approx(60.0, rel=0.03)
    assert "unit-guessed" in codes(read)


def test_ambiguous_and_impossible_sizes_are_said(tmp_path: Path):
    assert guess_unit(np.array([4.0, 1.0, 1.0])).others == ("inch",)
    assert not guess_unit(np.array([400.0, 1.0, 1.0])).fits
    (tmp_path / "a.stl").write_bytes(lump(8.0).export(file_type="stl"))
    assert "unit-unknown" in codes(read_surface(tmp_path / "a.stl", "surface:x"))
    assert "unit-unlikely" in codes(read_surface(tmp_path / "a.stl", "surface:x", "mm"))
    with pytest.raises(PlannerError, match="unit 'ell' is not known"):
        read_surface(tmp_path / "a.stl", "surface:x", "ell")


def test_3mf_units_transforms_and_components(tmp_path: Path):
    """Written by lib3mf (BSD), the 3MF consortium's own library."""
    import lib3mf

    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    mesh = lump(1 / 25.4)
    thing = model.AddMeshObject()
    vertices = [lib3mf.Position() for _ in mesh.vertices]
    for position, vertex in zip(vertices, mesh.vertices, strict=True):
        position.Coordinates = tuple(vertex)
    triangles = [lib3mf.Triangle() for _ in mesh.faces]
    for triangle, face in zip(triangles, mesh.faces, strict=True):
        triangle.Indices = tuple(int(k) for k in face)
    thing.SetGeometry(vertices, triangles)
    group = model.AddComponentsObject()
    group.AddComponent(thing, wrapper.GetTranslationTransform(1.0, 0.0, 0.0))
    model.AddBuildItem(group, wrapper.GetTranslationTransform(0.0, 2.0, 0.0))
    model.QueryWriter("3mf").WriteToFile(str(tmp_path / "a.3mf"))
    read = read_surface(tmp_path / "a.3mf", "surface:x")
    assert read.unit == "inch"
    assert "unit-guessed" not in codes(read)
    moved = trimesh.Trimesh((mesh.vertices + np.array([1.0, 2.0, 0.0])) * 25.4, mesh.faces, process=False)
    assert same_triangles(read.surface, moved, 1e-3)


def test_our_own_files_are_read_by_trimesh_and_by_us(tmp_path: Path):
    mesh = lump()
    surface = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces), "lps")
    write_ply(tmp_path / "a.ply", surface)
    write_stl(tmp_path / "a.stl", surface)
    back = read_surface(tmp_path / "a.ply", "lps").surface
    assert np.array_equal(back.points_mm[back.triangles], surface.points_mm[surface.triangles])
    for name in ("a.ply", "a.stl"):
        theirs = trimesh.load(tmp_path / name)
        assert theirs.is_watertight
        assert theirs.volume == pytest.approx(mesh.volume, rel=1e-5)
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["a.ply", "a.stl"]


def test_polygons_negative_indices_and_extra_properties(tmp_path: Path):
    (tmp_path / "q.obj").write_text(
        "# a box lid\nv 0 0 0 1 0 0\nv 40 0 0\nv 40 40 0\nv 0 40 0\nvt 0 0\nvn 0 0 1\nf -4/1/1 -3//1 -2/1 -1\n"
        "v 20 20 9\ng more\nf 1 2 -1\n"
    )
    read = read_surface(tmp_path / "q.obj", "surface:x")
    assert read.surface.triangles.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 4]]
    head = (
        b"ply\nformat binary_big_endian 1.0\ncomment x\nelement vertex 4\nproperty float x\nproperty float y\n"
        b"property float z\nproperty uchar red\nelement face 2\nproperty uchar flags\n"
        b"property list uchar uint vertex_indices\nproperty float quality\n"
        b"element edge 1\nproperty int a\nend_header\n"
    )
    corners = [(0, 0, 0), (40, 0, 0), (40, 40, 0), (0, 40, 0)]
    body = b"".join(struct.pack(">3fB", *corner, 7) for corner in corners)
    body += struct.pack(">BB4If", 1, 4, 0, 1, 2, 3, 0.5) + struct.pack(">BB3If", 1, 3, 0, 2, 1, 0.5)
    (tmp_path / "q.ply").write_bytes(head + body + struct.pack(">i", 3))
    read = read_surface(tmp_path / "q.ply", "surface:x")
    assert read.surface.triangles.tolist() == [[0, 1, 2], [0, 2, 3]]  # the third is the first turned round
    assert "double-triangles" in codes(read)


def test_holes_flips_branches_and_bodies_are_found(tmp_path: Path):
    mesh = lump()
    faces = np.asarray(mesh.faces)
    centres = np.asarray(mesh.triangles_center)
    holed = faces[centres[:, 0] < 25.0]
    (tmp_path / "h.stl").write_bytes(trimesh.Trimesh(mesh.vertices, holed, process=False).export(file_type="stl"))
    read = read_surface(tmp_path / "h.stl", "surface:x")
    report = check_surface(read.surface)
    assert len(report.holes) == 1
    assert report.holes[0].centre_mm[0] == pytest.approx(25.0, abs=2.0)
    assert "holes" in codes(read)
    flipped = faces.copy()
    flipped[100] = flipped[100][::-1]
    report = check_surface(Surface(np.asarray(mesh.vertices), flipped, "lps"))
    assert len(report.flipped_mm) == 3
    assert not report.watertight
    fin = np.vstack([faces, [[faces[0, 0], faces[0, 1], len(mesh.vertices)]]])
    report = check_surface(Surface(np.vstack([np.asarray(mesh.vertices), [[0, 0, 30.0]]]), fin, "lps"))
    assert len(report.branching_mm) == 1
    two = Surface(
        np.vstack([mesh.vertices, mesh.vertices + np.array([0, 0, 50.0])]),
        np.vstack([faces, faces + len(mesh.vertices)]),
        "lps",
    )
    assert check_surface(two).bodies == (len(faces), len(faces))


def test_an_inside_out_body_is_turned(tmp_path: Path):
    mesh = lump()
    (tmp_path / "i.stl").write_bytes(
        trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False).export(file_type="stl")
    )
    read = read_surface(tmp_path / "i.stl", "surface:x")
    assert "turned-outward" in codes(read)
    report = check_surface(read.surface)
    assert not report.inward
    assert report.volume_mm3 == pytest.approx(mesh.volume, rel=1e-4)


def _refused(path: Path) -> str:
    with pytest.raises(PlannerError) as caught:
        read_surface(path, "surface:x")
    assert caught.value.remedy
    return caught.value.message


def test_bad_surface_files_get_a_sentence(tmp_path: Path):
    mesh = lump()
    assert "There is no file" in _refused(tmp_path / "none.stl")
    (tmp_path / "e.stl").write_bytes(b"")
    assert "cut short" in _refused(tmp_path / "e.stl")
    (tmp_path / "t.txt").write_text("hello")
    assert "no surface that is read here" in _refused(tmp_path / "t.txt")
    for name, content in {
        "c.stl": mesh.export(file_type="stl"),
        "d.stl": _bytes(mesh.export(file_type="stl_ascii")),
        "c.ply": mesh.export(file_type="ply"),
        "d.ply": _bytes(mesh.export(file_type="ply", encoding="ascii")),
        "c.3mf": mesh.export(file_type="3mf"),
    }.items():
        (tmp_path / name).write_bytes(content[: len(content) * 2 // 3])
        assert "cut short" in _refused(tmp_path / name) or "damaged" in _refused(tmp_path / name), name
    (tmp_path / "n.stl").write_bytes(b"\0" * 80 + struct.pack("<I", 1) + struct.pack("<12fH", *[np.nan] * 12, 0))
    assert "no places" in _refused(tmp_path / "n.stl")
    (tmp_path / "i.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n")
    assert "does not have" in _refused(tmp_path / "i.obj")
    (tmp_path / "p.ply").write_bytes(b"ply\nformat ascii 1.0\nelement vertex 1\n" + XYZ + b"end_header\n0 0 0\n")
    assert "holds no surface" in _refused(tmp_path / "p.ply")
    (tmp_path / "z.3mf").write_bytes(b"PK\x03\x04 not a zip")
    assert "damaged" in _refused(tmp_path / "z.3mf")


@pytest.mark.parametrize("count", [2**31 - 1, 2**32 - 1])
def test_hostile_counts_allocate_nothing(tmp_path: Path, count: int):
    (tmp_path / "a.stl").write_bytes(b"\0" * 80 + struct.pack("<I", count) + b"\0" * 200)
    (tmp_path / "a.ply").write_bytes(
        b"ply\nformat binary_little_endian 1.0\nelement vertex %d\n" % count
        + XYZ
        + b"element face %d\nproperty list uint int vertex_indices\nend_header\n" % count
        + b"\xff" * 400
    )
    (tmp_path / "b.ply").write_bytes(
        b"ply\nformat binary_little_endian 1.0\nelement vertex 3\n"
        + XYZ
        + b"element face 1\nproperty list uint int vertex_indices\nend_header\n"
        + b"\0" * 36
        + struct.pack("<I", count)
    )
    tracemalloc.start()
    try:
        for name in ("a.stl", "a.ply", "b.ply"):
            _refused(tmp_path / name)
        assert tracemalloc.get_traced_memory()[1] < 4e6
    finally:
        tracemalloc.stop()


def _vtk_distances(surface: Surface, points: np.ndarray) -> np.ndarray:
    """Distances of points to a surface by VTK."""
    import pyvista

    faces = np.insert(surface.triangles, 0, 3, axis=1).ravel()
    measured = pyvista.PolyData(points).compute_implicit_distance(pyvista.PolyData(surface.points_mm, faces))
    return np.abs(np.asarray(measured["implicit_distance"]))


def test_decimation_states_a_deviation_that_holds():
    mesh = lump()
    surface = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces), "surface:x")
    smaller = decimate(surface, 1200)
    assert len(smaller.surface.triangles) <= 1200
    assert smaller.surface.frame == "surface:x"
    reduced = trimesh.Trimesh(smaller.surface.points_mm, smaller.surface.triangles, process=False)
    away = _vtk_distances(smaller.surface, np.asarray(mesh.vertices))
    assert away.max() <= smaller.deviation_max_mm + 1e-4
    assert away.max() == pytest.approx(smaller.deviation_max_mm, rel=0.05)
    assert smaller.deviation_max_mm < 0.6
    assert reduced.volume == pytest.approx(mesh.volume, rel=0.02)
    assert decimate(surface, 10**6).surface is surface

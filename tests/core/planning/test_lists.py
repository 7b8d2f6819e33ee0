"""The clinic's own lists and implant templates: read back whole, refused line by line."""

from __future__ import annotations

import numpy as np
import pydicom
import pytest
import trimesh

from planner_core.errors import PlannerError
from planner_core.planning.catalogue import generic_catalogue, parametric_profile
from planner_core.planning.implant_template import fixture_mesh, read_implant_template, write_implant_template
from planner_core.planning.lists import load_catalogue_csv


def saved(tmp_path, text, name="list.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_every_generic_part_is_marked_and_has_a_body():
    catalogue = generic_catalogue()
    assert all(shape.generic for shape in catalogue.fixtures.values())
    for shape in catalogue.fixtures.values():
        assert shape.profile_mm[-1, 0] == pytest.approx(shape.length_mm)
        assert 2 * shape.profile_mm[:, 1].max() == pytest.approx(shape.diameter_mm)
    assert all(drills.generic for drills in catalogue.drill_lists.values())
    assert catalogue.drill_list_for(4.0).steps[-1].diameter_mm == 3.5
    assert catalogue.nearest_fixture(4.1, 9.9, "generic-tapered").shape_id == "generic-tapered-4.0x10"
    with pytest.raises(PlannerError, match="no fixture"):
        catalogue.fixture("somebody's 4.1")


def test_fixtures_from_a_list(tmp_path):
    text = (
        "# our own\nid,label,diameter_mm,length_mm,platform_diameter_mm,body_taper_deg,profile_mm\n"
        "a,Own A,4.1,10.3,4.3,2.0,\n"
        "b,Own B,4.0,10,,,0:2.0 8:1.8 10:1.0\n"
    )
    catalogue, findings = load_catalogue_csv(saved(tmp_path, text))
    assert not findings
    assert not catalogue.fixtures["a"].generic
    assert catalogue.fixtures["a"].length_mm == 10.3
    assert catalogue.fixtures["b"].profile_mm.tolist() == [[0, 2.0], [8, 1.8], [10, 1.0]]
    assert set(generic_catalogue().plus(catalogue).fixtures) > {"a", "b"}


def test_semicolons_with_decimal_commas(tmp_path):
    text = "id;label;angle_deg;height_mm;rotational_positions\nx;Own 17;17,0;2,5;6\n"
    catalogue, _ = load_catalogue_csv(saved(tmp_path, text))
    assert catalogue.abutments["x"].height_mm == 2.5
    assert catalogue.abutments["x"].rotational_positions == 6


def test_sleeves_and_drills(tmp_path):
    text = "id,label,inner_diameter_mm,outer_diameter_mm,height_mm,gap_mm,clearance_mm\ns,Own,5.2,6.2,5,4,0.08\n"
    sleeves, _ = load_catalogue_csv(saved(tmp_path, text))
    assert sleeves.sleeves["s"].offset_mm == 9.0
    text = (
        "list_id,list_label,step_label,diameter_mm,depth_below_platform_mm,speed_rpm,guided,tip_overshoot_mm\n"
        "d,Own drills,pilot,2.0,,1200,yes,0.4\nd,Own drills,last,3.5,9.5,800,no,0.6\n"
    )
    drills, findings = load_catalogue_csv(saved(tmp_path, text))
    own = drills.drill_lists["d"]
    assert not own.generic
    assert own.tip_overshoot_mm == 0.6
    assert [f.text for f in findings] == [
        "Line 3: the tip overshoot differs within the list 'd'; the largest counts."
    ]
    assert own.steps[1].guided is False


def test_bad_lines_are_named_and_the_rest_is_read(tmp_path):
    text = (
        "id,label,diameter_mm,length_mm,profile_mm\n"
        "good,Good,4.0,10,\n"
        "words,Words,four,10,\n"
        "metres,Metres,0.004,10,\n"
        ",No id,4.0,10,\n"
        "good,Twice,4.0,10,\n"
        "outline,Outline,4.0,10,0:2 9:1\n"
        "wide,Diameters for radii,4.0,10,0:4 10:4\n"
        "\n"
    )
    catalogue, findings = load_catalogue_csv(saved(tmp_path, text))
    assert list(catalogue.fixtures) == ["good"]
    texts = [f.text for f in findings]
    assert len(texts) == 6
    assert any(t == "Line 3: diameter_mm is 'four', not a number." for t in texts)
    assert any("Line 4: diameter_mm is 0.004, outside" in t for t in texts)
    assert any("Line 5: id is missing." in t for t in texts)
    assert any("Line 6: 'good' stands in the list already" in t for t in texts)
    assert any("Line 7: profile_mm goes from 0 to 9" in t for t in texts)
    assert any("Line 8: profile_mm is 8.00 wide" in t for t in texts)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("a,b\n1,2\n", "names no kind of list"),
        ("id,label,diameter_mm,length_mm,colour\n", "has a column 'colour'"),
        ("id,label,diameter_mm,length_mm\nx,X,no,10\n", "No line of"),
    ],
)
def test_useless_files_are_refused(tmp_path, text, message):
    with pytest.raises(PlannerError, match=message):
        load_catalogue_csv(saved(tmp_path, text))


def test_binary_and_missing_files_are_refused(tmp_path):
    path = tmp_path / "x.csv"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(PlannerError, match="not text"):
        load_catalogue_csv(path)
    with pytest.raises(PlannerError, match="cannot be read"):
        load_catalogue_csv(tmp_path / "none.csv")


def test_impossible_sizes_leave_no_profile():
    with pytest.raises(PlannerError, match="leaves no body"):
        parametric_profile(4.0, 2.0)
    with pytest.raises(PlannerError, match="leaves no apex"):
        parametric_profile(3.0, 14.0, body_taper_deg=8.0)


@pytest.mark.parametrize("shape_id", ["generic-parallel-4.0x10", "generic-tapered-4.5x12", "generic-ceramic-4.0x8"])
def test_template_written_and_read_back(tmp_path, shape_id):
    shape = generic_catalogue().fixture(shape_id)
    path = tmp_path / "fixture.dcm"
    write_implant_template(shape, path)
    read, mesh, findings = read_implant_template(path)
    assert not findings
    assert read.length_mm == pytest.approx(shape.length_mm, abs=1e-5)
    assert read.diameter_mm == pytest.approx(shape.diameter_mm, abs=1e-5)
    assert read.material == shape.material
    depths = np.linspace(0, shape.length_mm, 40)
    ours, theirs = (np.interp(depths, s.profile_mm[:, 0], s.profile_mm[:, 1]) for s in (shape, read))
    assert np.abs(ours - theirs).max() < 0.02
    body = trimesh.Trimesh(mesh.points_mm, mesh.triangles, process=False)
    assert body.is_watertight
    assert body.volume > 0
    data = pydicom.dcmread(path)
    for keyword in (
        "Manufacturer", "FrameOfReferenceUID", "ImplantName", "ImplantPartNumber", "ImplantTemplateVersion",
        "ImplantType", "EffectiveDateTime", "MaterialsCodeSequence", "ImplantTypeCodeSequence",
        "FixationMethodCodeSequence", "ImplantSize",
    ):  # fmt: skip
        assert data.get(keyword), keyword
    assert "PatientName" not in data


def test_foreign_and_broken_templates_are_refused(tmp_path):
    path = tmp_path / "no.dcm"
    path.write_bytes(b"not dicom at all")
    with pytest.raises(PlannerError, match="not a readable DICOM"):
        read_implant_template(path)
    write_implant_template(generic_catalogue().fixture("generic-parallel-4.0x10"), path)
    data = pydicom.dcmread(path)
    data.SOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
    data.save_as(path)
    with pytest.raises(PlannerError, match="not a Generic Implant Template"):
        read_implant_template(path)
    write_implant_template(generic_catalogue().fixture("generic-parallel-4.0x10"), path)
    data = pydicom.dcmread(path)
    data.SurfaceSequence[0].SurfaceMeshPrimitivesSequence[0].LongTrianglePointIndexList = b"\xff" * 12
    data.save_as(path)
    with pytest.raises(PlannerError, match="no triangle mesh"):
        read_implant_template(path)


def test_mesh_that_is_not_round_is_a_finding(tmp_path):
    path = tmp_path / "oval.dcm"
    shape = generic_catalogue().fixture("generic-parallel-4.0x10")
    write_implant_template(shape, path)
    data = pydicom.dcmread(path)
    points = fixture_mesh(shape).points_mm * [1.0, 0.8, 1.0] + [0.0, 0.0, 1.0]
    item = data.SurfaceSequence[0].SurfacePointsSequence[0]
    item.PointCoordinatesData = points.astype("<f4").tobytes()
    data.save_as(path)
    _, _, findings = read_implant_template(path)
    assert {f.code for f in findings} == {"template-origin", "template-not-round"}

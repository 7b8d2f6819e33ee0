"""Nothing that names a person survives; the picture and its place do."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataset import Dataset

from planner_core.errors import PlannerError
from planner_core.exchange.deidentify import TABLE, deidentify_dataset, deidentify_series, without_identity
from planner_core.imaging.dicom_elements import quiet_pydicom
from planner_core.imaging.dicom_import import read_dicom
from tests.core.imaging.made_series import header, picture, save, set_pixels, write_series

SECRET = "Geheimnis"
DATES = {"DA": "19450508", "DT": "19450508121314", "TM": "121314"}
VALUES = {
    **dict.fromkeys(("LO", "SH", "ST", "LT", "UT", "UC"), SECRET), "PN": f"{SECRET}^Anna", "CS": "GEHEIMNIS",
    "AE": SECRET, "UR": f"https://{SECRET}", "AS": "081Y", "UI": "1.2.40.0.13.666", **DATES,
}  # fmt: skip

# Attributes of PS3.15 table E.1-1 with the Basic Profile's action, written down from the standard (M).
NAMED = (
    "PatientName", "PatientID", "PatientBirthDate", "PatientSex", "PatientAge", "PatientWeight", "PatientAddress",
    "PatientTelephoneNumbers", "OtherPatientNames", "OtherPatientIDs", "PatientMotherBirthName", "PatientBirthName",
    "PatientComments", "AdditionalPatientHistory", "EthnicGroup", "Occupation", "MedicalRecordLocator",
    "ReferringPhysicianName", "ReferringPhysicianAddress", "PerformingPhysicianName", "OperatorsName",
    "PhysiciansOfRecord", "NameOfPhysiciansReadingStudy", "RequestingPhysician", "InstitutionName",
    "InstitutionAddress", "InstitutionalDepartmentName", "StationName", "DeviceSerialNumber", "AccessionNumber",
    "StudyID", "StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate", "StudyTime", "StudyDescription",
    "SeriesDescription", "ProtocolName", "ImageComments", "StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID",
    "FrameOfReferenceUID", "RequestedProcedureID", "IssuerOfPatientID", "CountryOfResidence", "RegionOfResidence",
)  # fmt: skip


def seeded() -> pydicom.FileDataset:
    """A slice with a secret in every text attribute of the table, in nested and private ones and an overlay."""
    from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c

    ds = header()
    tables = [getattr(dicomfields_2026c, name) for name in vars(dicomfields_2026c) if name.endswith("_TAGS")]
    tags = {tag for table in tables for tag in table if len(tag) == 2}
    keywords = {pydicom.datadict.keyword_for_tag(tag) for tag in tags}
    for keyword in sorted(keywords | set(NAMED)):
        if keyword and tag_for_keyword(keyword) and tag_for_keyword(keyword) >> 16 > 2:
            vr = dictionary_VR(tag_for_keyword(keyword))
            if vr in VALUES:
                setattr(ds, keyword, VALUES[vr])
    nested = Dataset()
    nested.ReferringPhysicianName = f"{SECRET}^X"
    nested.InstitutionName = SECRET
    ds.RequestAttributesSequence = [nested]
    block = ds.private_block(0x0019, "MAKER", create=True)
    block.add_new(0x01, "LO", SECRET)
    ds.add_new(0x60000010, "US", 4)
    ds.add_new(0x60003000, "OW", SECRET.encode().ljust(10))
    ds.add_new(0x60004000, "LT", SECRET)
    ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.2"
    ds.ImagePositionPatient = [1, 2, 3]
    set_pixels(ds, picture()[0], signed=True, bits=16)
    return ds


def cleaned(tmp_path: Path) -> tuple[pydicom.FileDataset, bytes]:
    save(seeded(), tmp_path / "a.dcm")
    raw = (tmp_path / "a.dcm").read_bytes()
    assert raw.count(SECRET.encode()) > 100
    dataset = pydicom.dcmread(tmp_path / "a.dcm")
    deidentify_dataset(dataset, "case-7")
    dataset.save_as(tmp_path / "b.dcm", enforce_file_format=True)
    return pydicom.dcmread(tmp_path / "b.dcm"), (tmp_path / "b.dcm").read_bytes()


def test_no_seeded_value_survives(tmp_path: Path):
    dataset, raw = cleaned(tmp_path)
    for value in {*VALUES.values(), SECRET}:
        if value != "081Y":
            assert value.encode() not in raw, value
    for keyword in NAMED:
        vr = dictionary_VR(tag_for_keyword(keyword))
        if vr in VALUES and keyword in dataset:
            assert str(dataset.get(keyword)) != VALUES[vr], keyword
    assert not any(element.tag.is_private or element.tag.group == 0x6000 for element in dataset.iterall())


def test_the_file_says_what_was_done(tmp_path: Path):
    dataset, _ = cleaned(tmp_path)
    assert dataset.PatientIdentityRemoved == "YES"
    assert "2026c" in dataset.DeidentificationMethod
    assert TABLE == "dicomfields_2026c"
    code = dataset.DeidentificationMethodCodeSequence[0]
    assert (code.CodeValue, code.CodingSchemeDesignator) == ("113100", "DCM")
    assert dataset.PatientName == "case-7"
    assert dataset.file_meta.MediaStorageSOPInstanceUID == dataset.SOPInstanceUID


def test_a_series_keeps_its_voxels_and_places_and_hangs_together(tmp_path: Path):
    source = write_series(tmp_path / "s", picture(), RescaleIntercept=-1000, InstitutionName="Praxis Beispiel")
    result = deidentify_series(source, None, tmp_path / "clean", pseudonym="P1")
    assert result.files == 6
    assert [finding.code for finding in result.findings] == ["face-visible"]
    before, after = read_dicom(source), read_dicom(tmp_path / "clean")
    assert np.array_equal(after.volume.stored, before.volume.stored)
    assert after.volume.lps_from_index == pytest.approx(before.volume.lps_from_index)
    assert after.volume.offset == -1000
    assert after.source.patient_name == "P1"
    assert after.source.series_uid != before.source.series_uid
    assert after.volume.frame_of_reference_uid != before.volume.frame_of_reference_uid
    for path in (tmp_path / "clean").iterdir():
        raw = path.read_bytes()
        assert b"Beispiel" not in raw
        assert b"invented" not in raw
    assert sorted(path.name for path in tmp_path.iterdir()) == ["clean", "s"]


def test_real_headers_of_others_are_cleaned_too():
    """Pydicom's CT_small and JPEG 2000 slices (MIT): names, numbers and private elements of other programs."""
    for name in ("CT_small.dcm", "693_J2KI.dcm", "J2K_pixelrep_mismatch.dcm", "bad_sequence.dcm"):
        with quiet_pydicom():
            dataset = pydicom.dcmread(get_testdata_file(name, download=False))
            pixels = dataset.PixelData
            identity = [
                str(dataset.get(keyword, "")) for keyword in ("PatientName", "PatientID", "StudyInstanceUID")
            ]
            deidentify_dataset(dataset)
            assert dataset.PixelData == pixels
            text = str(dataset)
            for value in identity:
                assert len(value) < 5 or value not in text


def test_a_value_in_an_unusual_place_stops_the_export(tmp_path: Path):
    """A name typed into an element that the profile keeps (filter type) is found and nothing is written."""
    source = write_series(tmp_path / "s", picture(), FilterType="Beispiel")
    with pytest.raises(PlannerError, match="unusual place"):
        deidentify_series(source, None, tmp_path / "clean")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s"]


def test_existing_targets_and_unknown_series_are_refused(tmp_path: Path):
    source = write_series(tmp_path / "s", picture())
    with pytest.raises(PlannerError, match="exists already"):
        deidentify_series(source, None, source)
    with pytest.raises(PlannerError, match="no such series"):
        deidentify_series(source, "9.9", tmp_path / "clean")
    with pytest.raises(PlannerError, match="cannot be written"):
        deidentify_series(source, None, tmp_path / "no" / "clean")


def test_a_source_without_identity_keeps_only_how_it_was_made(tmp_path: Path):
    source = read_dicom(write_series(tmp_path / "s", picture(), KVP="90")).source
    clean = without_identity(source)
    assert clean.kvp == 90.0
    assert (clean.patient_name, clean.patient_id, clean.study_date, clean.series_uid) == ("", "", "", "")


def test_import_writes_no_identity_to_logs_or_terminal(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
):
    folder = write_series(tmp_path / "s", picture(), syntax="1.2.840.10008.1.2.4.90")
    with caplog.at_level(logging.DEBUG):
        read_dicom(folder)
        victim = sorted(folder.iterdir())[0]
        victim.write_bytes(victim.read_bytes()[:-900])
        with pytest.raises(PlannerError) as caught:
            read_dicom(folder)
    said = caplog.text + "".join(capfd.readouterr()) + str(caught.value)
    assert "Beispiel" not in said
    assert "invented" not in said

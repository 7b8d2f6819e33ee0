"""Frames, volumes, surfaces and distances. One world frame: DICOM patient coordinates (LPS), millimetres."""

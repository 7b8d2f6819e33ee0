"""Jaws with known truth: analytic, random by seed, scanned by simulated physics. A development package.

The parts that tests and studies call::

    from phantoms.scenes import random_mouth, edentulous_mouth, ceramic_bridge_sample, dual_scan_sample
    from phantoms.quick import quick_volume              # blur and noise, no streaks, seconds
    from phantoms.physics.acquisition import Acquisition, coarse
    from phantoms.simulate import simulate               # projection, noise, FDK: streaks from physics
    from phantoms.surface_scan import scan_surface, scan_prosthesis
    from phantoms.truth import truth_of

    scene = random_mouth(7, restorations="mixed", upper="contact")
    result = simulate(scene, coarse(kvp=80.0, short_scan=True), seed=7, with_truth=True)
    result.volume, result.truth, result.degraded, result.slice_scores
    scan = scan_surface(scene, noise_mm=0.02, seed=7)    # .surface, .lps_from_surface, .markers_surface_mm

Layout: `jaw` (arch, `bone`, `teeth`, canals) and `restorations`, `prosthesis` make a `scene.Scene`; `paint` turns
it into materials on a grid; `physics` has attenuation, spectrum, projector, detector and FDK; `truth`, `gum` and
`surface_scan` ask the same formulas, so that truth and picture cannot drift apart. `make_samples` writes
sample_volumes/ (extra `samples`: `rtk`, `physics.spekpy_spectrum`).

Frames: every jaw has its own (x left, y back, z up from the occlusal plane, mm); a `Scene` carries
`lps_from_scene`. All results are LPS millimetres. Dimensions are our own invention; nothing here is a norm.
"""

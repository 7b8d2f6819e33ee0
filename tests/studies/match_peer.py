"""The general-purpose peer of the surface match: point-to-plane ICP onto a surface cut out of the volume."""

from __future__ import annotations

import numpy as np
import small_gicp
from attrs import frozen
from skimage.measure import marching_cubes

from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey

STAGES_MM = (3.0, 1.5, 0.8)
"""Largest distance of corresponding points, stage by stage: the graduated reach of ours."""

GRID_MM = 0.25
THREADS = 2


@frozen(eq=False)
class PeerTarget:
    """Point clouds of the volume at two levels: skin of the mouth (air to soft tissue) and hard tissue."""

    clouds: tuple[tuple[small_gicp.PointCloud, small_gicp.KdTree], ...]


def peer_target(volume: Volume, near_lps_mm: np.ndarray, margin_mm: float = 8.0) -> PeerTarget:
    """Cut both surfaces out of the part of the volume near the mouth."""
    levels = calibrate_grey(volume)
    index = volume.to_index(near_lps_mm)
    margin = np.ceil(margin_mm / np.array(volume.spacing_mm))
    low = np.maximum(np.floor(index.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(index.max(axis=0) + margin) + 1, volume.shape).astype(int)
    box = volume.stored[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float32)
    clouds = []
    for grey in (levels.air_threshold, levels.bone_threshold + 0.5 * (levels.bone - levels.soft_tissue)):
        corners, _, _, _ = marching_cubes(box, (grey - volume.offset) / volume.scale)
        points = volume.to_lps(corners.astype(np.float64) + low)
        clouds.append(small_gicp.preprocess_points(points, downsampling_resolution=GRID_MM, num_threads=THREADS))
    return PeerTarget(tuple(clouds))


def peer_match(target: PeerTarget, surface: Surface, start: RigidTransform) -> list[RigidTransform]:
    """Match with both clouds from the start; one pose per cloud."""
    source, _ = small_gicp.preprocess_points(
        surface.points_mm, downsampling_resolution=GRID_MM, num_threads=THREADS
    )
    poses = []
    for cloud, tree in target.clouds:
        matrix = np.array(start.matrix)
        for reach in STAGES_MM:
            result = small_gicp.align(
                cloud, source, tree, init_T_target_source=matrix, registration_type="PLANE_ICP",
                max_correspondence_distance=reach, num_threads=THREADS, max_iterations=40,
            )  # fmt: skip
            matrix = np.array(result.T_target_source)
        u, _, vt = np.linalg.svd(matrix[:3, :3])
        poses.append(RigidTransform.from_parts(u @ vt, matrix[:3, 3], surface.frame))
    return poses

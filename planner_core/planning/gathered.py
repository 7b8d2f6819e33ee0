"""The sources of every site of a guide side by side, about each site's platform centre in LPS."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import field, frozen

from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray
from planner_core.planning.error_sources import (
    Source,
    common_sources,
    held_guide,
    lps_from_local,
    movements,
    site_sources,
)
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import Displacements, lever

HAND = frozenset({"execution", "guidance"})
"""Sources that differ with the operator."""


@frozen(eq=False)
class SiteSources:
    """The sources of one site, gathered about its platform centre in LPS."""

    fixture: PlacedFixture
    sources: tuple[Source, ...]
    covariances: FloatArray
    """Shape (k, 6, 6)."""
    means: FloatArray
    """Shape (k, 6)."""


@frozen(eq=False)
class Gathered:
    """All sites of a guide side by side for numpy; every site has the same sources in the same order."""

    sites: tuple[str, ...]
    fixtures: tuple[PlacedFixture, ...]
    sources: tuple[tuple[Source, ...], ...]
    axes_lps: FloatArray
    """Shape (s, 3)."""
    platforms_lps_mm: FloatArray
    """Shape (s, 3)."""
    lengths_mm: FloatArray
    """Shape (s,)."""
    covariances: FloatArray
    """Shape (s, k, 6, 6)."""
    means: FloatArray
    """Shape (s, k, 6)."""
    blunders: FloatArray = field(repr=False)
    """Covariance that a blunder adds, shape (s, 6, 6)."""

    def index_of(self, name: str) -> int:
        """Give the place of a source by its name."""
        return next(k for k, source in enumerate(self.sources[0]) if source.name == name)


def shifts(offsets_mm: FloatArray) -> FloatArray:
    """Give (s, 6, 6) matrices that rewrite a six-vector about points that lie `offsets_mm` further on."""
    out = np.zeros((len(offsets_mm), 6, 6))
    out[:, 3:, :] = lever(offsets_mm)
    out[:, 0, 0] = out[:, 1, 1] = out[:, 2, 2] = 1.0
    return out


def _own(
    guide: GuideInputs, sites: tuple[str, ...]
) -> tuple[tuple[tuple[Source, ...], ...], FloatArray, FloatArray]:
    """Give the sites' own sources with their covariances (s, k, 6, 6) and means (s, k, 6) in the fixtures' axes."""
    key = ("own", sites)
    if key not in guide.remembered:
        own = tuple(site_sources(guide, site) for site in sites)
        guide.remembered[key] = (
            own,
            np.array([[source.covariance for source in sources] for sources in own]),
            np.array([[source.mean for source in sources] for sources in own]),
        )
    known: tuple[tuple[tuple[Source, ...], ...], FloatArray, FloatArray] = guide.remembered[key]
    return known


def gathered(fixtures: Mapping[str, PlacedFixture], guide: GuideInputs, match: PoseCovariance | None) -> Gathered:
    """Give every site's sources about its own platform centre, common ones included; at least one fixture."""
    sites = tuple(fixtures)
    members = tuple(fixtures.values())
    axes = np.array([f.pose.axis_lps for f in members])
    platforms = np.array([f.pose.platform_lps_mm for f in members])
    own, local, local_mean = _own(guide, sites)
    to_lps = lps_from_local(axes)
    turned = to_lps[:, None] @ local @ np.swapaxes(to_lps, 1, 2)[:, None]
    means = (to_lps[:, None] @ local_mean[..., None])[..., 0]
    common: list[Source] = []
    if guide.guided:
        held = held_guide(guide, axes, platforms)
        common = common_sources(guide, match, held, axes, platforms)
        moved, moved_mean = movements(guide, held, sites, axes, platforms)
        about = np.array([source.about_lps_mm for source in common] + [held.about_lps_mm])
        # All common sources and the movement at once: (s, c, 6, 6) matrices.
        shift = shifts((platforms[:, None] - about).reshape(-1, 3)).reshape(len(sites), len(about), 6, 6)
        count = len(common)
        stacked = np.empty((len(sites), count + 1, 6, 6))
        stacked[:, :count] = np.array([source.covariance for source in common])
        stacked[:, count] = moved
        stacked_mean = np.empty((len(sites), count + 1, 6))
        stacked_mean[:, :count] = np.array([source.mean for source in common])
        stacked_mean[:, count] = moved_mean
        stacked = shift @ stacked @ np.swapaxes(shift, 2, 3)
        stacked_mean = (shift @ stacked_mean[..., None])[..., 0]
        k = next(k for k, source in enumerate(own[0]) if source.name == "movement")
        turned[:, k] += stacked[:, count]
        means[:, k] += stacked_mean[:, count]
        turned = np.concatenate([stacked[:, :count], turned], axis=1)
        means = np.concatenate([stacked_mean[:, :count], means], axis=1)
    return Gathered(
        sites,
        members,
        tuple((*common, *sources) for sources in own),
        axes,
        platforms,
        np.array([f.shape.length_mm for f in members]),
        turned,
        means,
        blunder_covariances(guide, axes),
    )


def gather(
    fixtures: Mapping[str, PlacedFixture], guide: GuideInputs, match: PoseCovariance | None
) -> dict[str, SiteSources]:
    """Give every site's sources on their own; see `gathered`."""
    if not fixtures:
        return {}
    found = gathered(fixtures, guide, match)
    return {
        site: SiteSources(found.fixtures[s], found.sources[s], found.covariances[s], found.means[s])
        for s, site in enumerate(found.sites)
    }


def blunder_covariances(guide: GuideInputs, axes_lps: FloatArray) -> FloatArray:
    """Give the covariances that a blunder adds, about the platform centres in LPS, shape (s, 6, 6)."""
    out = np.zeros((len(axes_lps), 6, 6))
    across = np.eye(3) - axes_lps[:, :, None] * axes_lps[:, None, :]
    out[:, :3, :3] = np.radians(guide.value("blunder_tilt_deg")) ** 2 * across
    out[:, 3:, 3:] = guide.value("blunder_sigma_mm") ** 2 * np.eye(3)
    return out


def displacements(found: Gathered, guide: GuideInputs) -> Displacements:
    """Give what all sources together do at each site."""
    hand = [k for k, source in enumerate(found.sources[0]) if source.name in HAND]
    return Displacements(
        found.sites,
        found.axes_lps,
        found.covariances.sum(axis=1),
        found.covariances[:, hand].sum(axis=1),
        found.means.sum(axis=1),
        found.blunders,
        guide.value("blunder_share"),
        guide.value("operator_spread"),
    )

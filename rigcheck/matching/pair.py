"""Matches of skin detail between the two pictures of one moment."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import InputError
from rigcheck.matching.choose import chosen_places
from rigcheck.matching.coarse import CoarseMap, coarse_map, coarse_map_again, flow_cell_px, region_of
from rigcheck.matching.guide import Guide, alike_guide, plane_guides, point_guide
from rigcheck.matching.honest import pair_distance_px, scatter_scale, with_relief
from rigcheck.matching.kept import as_recorded, kept_matches
from rigcheck.matching.outliers import apart_from_neighbours, beyond, smooth_removed, unlike_brightness
from rigcheck.matching.prepared import LEAST_SIDE_PX, MaskedPair, PreparedPicture, cut_out, eight_bit
from rigcheck.matching.refine import FittedPatches, PatchShape, fit_patches, place_patches, read_at
from rigcheck.model import ImageArray, PatchMatches, StereoRig
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["PairMatcher", "match_pair"]

_CHOICE_SIDE = 90  # cells along the longer side of the grid on which depth is chosen
_ROUGH_STEPS, _FINE_STEPS, _BACK_STEPS = 4, 8, 4
_STEPS_AFTER_ROUGH = 10
_LEAST_SCORE = 0.7
_LARGEST_SIGMA_PX = 0.35
_LARGEST_LAST_STEP_PX = 0.03
_ROUND_TRIP_PX = 0.25
_BRIGHTNESS = 0.08
_NEAR_CELLS = 40  # cells along the longer side of the map drawn through points known in both pictures
_NEAR_SHAPE = PatchShape(radius=8)  # at half size

_FEWER = 0.5  # of an earlier moment's matches, from which a map carried over from it is not trusted

_Start = tuple[FloatArray, FloatArray]


class PairMatcher:
    """Matches pictures of one pair of cameras, moment after moment.

    Parameters
    ----------
    rig : StereoRig or None
        The calibrated pair; None when there is no calibration.
    nearest_mm, farthest_mm : float
        Range of the face from the middle of the baseline.
    wanted : int
        Matches hoped for in a picture full of face.
    shape : PatchShape

    Notes
    -----
    What depends on the pair alone is computed once, here. Not changed by :meth:`match`.
    """

    def __init__(
        self,
        rig: StereoRig | None = None,
        *,
        nearest_mm: float = 120.0,
        farthest_mm: float = 300.0,
        wanted: int = 300,
        shape: PatchShape | None = None,
    ) -> None:
        self._rig = rig
        self._wanted = wanted
        self._shape = shape or PatchShape()
        self._planes: Guide | None = None
        if rig is not None:
            cell = max(rig.camera1.image_size_px) / _CHOICE_SIDE
            self._planes = plane_guides(rig, nearest_mm=nearest_mm, farthest_mm=farthest_mm, cell_px=cell)

    def match(
        self,
        image1: ImageArray,
        image2: ImageArray,
        *,
        mask1: BoolArray | None = None,
        mask2: BoolArray | None = None,
        known_px: tuple[FloatArray, FloatArray] | None = None,
    ) -> PatchMatches:
        """Match two pictures of one moment.

        Parameters
        ----------
        image1, image2 : (H, W) or (H, W, 3) uint8 or uint16, as recorded
            uint16 holds its code values in the low bits; the larger of the two pictures' values sets full scale.
        mask1, mask2 : (H, W) bool, optional
            Where matches may lie; everywhere when left out.
        known_px : two (N, 2) float64, px, optional
            Points known roughly in both pictures (the face mesh's): the guide when there is no calibration. Without
            either the pictures themselves must give one.

        Returns
        -------
        PatchMatches
            Possibly empty: that nothing matched is a finding, not an error.

        Raises
        ------
        InputError
            When sizes disagree with the calibration or the masks.
        EstimationError
            Without calibration, when the pictures have too little in common for a guide.
        """
        self._check(image1, image2, mask1, mask2)
        masks = [
            np.ones(image.shape[:2], dtype=bool) if mask is None else mask
            for image, mask in zip((image1, image2), (mask1, mask2), strict=True)
        ]
        eight1, eight2 = eight_bit(image1)[0], eight_bit(image2)[0]
        guide = self._guide(eight1, eight2, mask1, known_px)
        rough = coarse_map(eight1, eight2, masks[0], guide, region_of(masks[0]))
        return self._matched(MaskedPair(images=(image1, image2), masks=(masks[0], masks[1])), rough)

    def match_moments(self, moments: Iterable[MaskedPair]) -> Iterator[PatchMatches]:
        """Match moments at which one face stands nearly alike before the cameras, such as those of a take.

        Parameters
        ----------
        moments : iterable of MaskedPair
            Taken one at a time.

        Yields
        ------
        PatchMatches
            Each as :meth:`match` gives it. The rough map of a moment is where the next begins, which saves the search
            for depth; where this leads to less than half the matches of an earlier moment, the search is made.

        Raises
        ------
        InputError, EstimationError
            As :meth:`match` does.
        """
        before: CoarseMap | None = None
        most = 0
        for one in moments:
            self._check(*one.images, *one.masks)
            eight1, eight2 = eight_bit(one.images[0])[0], eight_bit(one.images[1])[0]
            region = region_of(one.masks[0])
            found: PatchMatches | None = None
            if before is not None:
                before = coarse_map_again(eight1, eight2, before, region)
                found = self._matched(one, before)
            if before is None or found is None or found.n < _FEWER * most:
                guide = self._guide(eight1, eight2, one.masks[0], None)
                before = coarse_map(eight1, eight2, one.masks[0], guide, region)
                found = self._matched(one, before)
            most = max(most, found.n)
            yield found

    def _matched(self, pair: MaskedPair, rough: CoarseMap) -> PatchMatches:
        """Matches from a rough map on."""
        first, second = (
            cut_out(image, mask, self._shape, step=1)
            for image, mask in zip(pair.images, pair.masks, strict=True)
        )
        places = chosen_places(first.whole, first.allowed, wanted=self._wanted, reach_px=self._shape.radius)
        at = first.recorded(places.astype(np.float64))
        start = rough.at(at) - second.corner_px, rough.slope(at)
        return self._honest(self._fitted(first, second, places, start))

    def match_near(
        self,
        image1: ImageArray,
        image2: ImageArray,
        *,
        masks: tuple[BoolArray, BoolArray],
        known_px: tuple[FloatArray, FloatArray],
    ) -> PatchMatches:
        """Match two pictures where both already show the same points, looking at nothing but the masks' boxes.

        Parameters
        ----------
        image1, image2 : (H, W) or (H, W, 3) uint8 or uint16, as recorded
        masks : two (H, W) bool
            Where matches may lie.
        known_px : two (N, 2) float64, px
            The same points in both pictures (the face mesh's), good to some pixels: they alone are the guide.

        Returns
        -------
        PatchMatches
            Fitted and tested as in :meth:`match`; possibly empty. Their covariances are those of the pixels' noise
            alone.

        Raises
        ------
        InputError
            When sizes disagree with the calibration or the masks.
        EstimationError
            When fewer than 4 points are known in both pictures.

        Notes
        -----
        For picture after picture: at half size, without the search for depth and the dense flow of :meth:`match`.
        Good enough to say how far the skin is (a tenth of a pixel is 0.05 mm of depth there), not for epipolar errors.
        """
        self._check(image1, image2, *masks)
        first, second = (
            cut_out(image, mask, _NEAR_SHAPE) for image, mask in zip((image1, image2), masks, strict=True)
        )
        own = [
            (np.asarray(points, dtype=np.float64) - picture.corner_px) / picture.step_px
            for points, picture in zip(known_px, (first, second), strict=True)
        ]
        size = (first.whole.shape[1], first.whole.shape[0])
        guide = point_guide(*own, size_px=size, cell_px=max(size) / _NEAR_CELLS)
        places = chosen_places(first.whole, first.allowed, wanted=self._wanted, reach_px=first.shape.radius)
        rough = CoarseMap(field=guide.maps[0], size_px=size)
        return self._fitted(
            first, second, places, self._at_half_size(first, second, places, rough), back=True
        )

    def _check(
        self, image1: ImageArray, image2: ImageArray, mask1: BoolArray | None, mask2: BoolArray | None
    ) -> None:
        cameras = (None, None) if self._rig is None else (self._rig.camera1, self._rig.camera2)
        for image, mask, camera in zip((image1, image2), (mask1, mask2), cameras, strict=True):
            size = (image.shape[1], image.shape[0])
            if min(size) < LEAST_SIDE_PX:
                raise InputError(
                    f"matching: a picture of {size[0]} × {size[1]} px found, {LEAST_SIDE_PX} px needed each way",
                    hint="give the pictures at the size they were recorded",
                )
            if camera is not None and size != camera.image_size_px:
                raise InputError(
                    f"matching: {camera.name}: a picture of {size[0]} × {size[1]} px found, "
                    f"{camera.image_size_px[0]} × {camera.image_size_px[1]} px needed by the calibration",
                    hint="use the calibration made for pictures of this size",
                )
            if mask is not None and mask.shape != image.shape[:2]:
                raise InputError(
                    f"matching: a mask of {mask.shape[1]} × {mask.shape[0]} px found, "
                    f"{size[0]} × {size[1]} px needed",
                    hint="make the mask for the picture it goes with",
                )

    def _guide(
        self,
        first: NDArray[np.uint8],
        second: NDArray[np.uint8],
        mask1: BoolArray | None,
        known_px: tuple[FloatArray, FloatArray] | None,
    ) -> Guide:
        size = (first.shape[1], first.shape[0])
        if self._planes is not None:
            return self._planes
        if known_px is not None:
            return point_guide(*known_px, size_px=size, cell_px=flow_cell_px(size))
        mask = None if mask1 is None else mask1.astype(np.uint8) * 255
        return alike_guide(first, second, mask, cell_px=flow_cell_px(size))

    def _at_half_size(
        self, first: PreparedPicture, second: PreparedPicture, places: IntArray, rough: CoarseMap
    ) -> _Start:
        """Where fitting begins after a guide that may be some pixels off: places (N, 2) and slopes (N, 2, 2)."""
        centres = places.astype(np.float64)
        start, slope = rough.at(centres), rough.slope(centres)
        half = place_patches(
            first.half,
            second.half,
            places // 2,
            _halved(start),
            slope,
            shape=first.shape,
            steps=_ROUGH_STEPS,
        )
        near = _whole_px(half.points_px) + np.einsum(
            "nij,nj->ni", half.slope, centres - _whole_px(places // 2)
        )
        better = half.usable & (np.linalg.norm(near - start, axis=1) < 12.0)
        return np.where(better[:, None], near, start), np.where(better[:, None, None], half.slope, slope)

    def _fitted(
        self,
        first: PreparedPicture,
        second: PreparedPicture,
        places: IntArray,
        start: _Start,
        *,
        back: bool = False,
    ) -> PatchMatches:
        """Fit from where to begin, and test; with the way back too where the guide was a rough one."""
        centres = places.astype(np.float64)
        steps = _STEPS_AFTER_ROUGH if back else _FINE_STEPS
        fit = fit_patches(first.whole, second.whole, places, *start, shape=first.shape, steps=steps)
        faults = self._faults(first, second, centres, fit, back=back)
        found = kept_matches(places, fit, faults)
        return as_recorded(found, first, second)

    def _round_trip(
        self,
        first: PreparedPicture,
        second: PreparedPicture,
        ends: tuple[FloatArray, FloatArray],
        slope: FloatArray,
    ) -> FloatArray:
        """How far the way back from picture 2 misses the start, (N,) px of picture 1."""
        centres, found = ends
        there = np.rint(found).astype(np.int64)
        inverse = np.asarray(np.linalg.inv(slope), dtype=np.float64)
        expected = centres + np.einsum("nij,nj->ni", inverse, there - found)
        back = place_patches(
            second.whole, first.whole, there, expected, inverse, shape=first.shape, steps=_BACK_STEPS
        )
        miss = np.linalg.norm(back.points_px - expected, axis=1)
        return np.where(back.usable, miss, np.inf)

    def _faults(
        self,
        first: PreparedPicture,
        second: PreparedPicture,
        centres: FloatArray,
        fit: FittedPatches,
        *,
        back: bool,
    ) -> dict[str, BoolArray]:
        """Reasons to leave a match out, in the order in which they are counted."""
        sigma = np.sqrt(0.5 * np.trace(fit.covariance_px2, axis1=1, axis2=2))
        landed = np.rint(np.clip(fit.points_px, 0, np.array(second.allowed.shape[::-1]) - 1)).astype(np.int64)
        faults = {
            "not_fitted": ~fit.usable | (fit.last_step_px > _LARGEST_LAST_STEP_PX),
            "outside_mask": ~second.allowed[landed[:, 1], landed[:, 0]],
            "unlike": fit.score < _LEAST_SCORE,
            "too_little_texture": sigma > _LARGEST_SIGMA_PX,
        }
        good = ~np.logical_or.reduce(list(faults.values()))
        miss = np.zeros(len(centres))
        if back:
            ends = centres[good], fit.points_px[good]
            miss[good] = self._round_trip(first, second, ends, fit.slope[good])
        faults["round_trip"] = miss > np.maximum(_ROUND_TRIP_PX, 3 * sigma)
        good &= ~faults["round_trip"]
        ratio = np.log(
            np.maximum(read_at(second.half, _halved(fit.points_px)), 1.0)
            / np.maximum(read_at(first.half, _halved(centres)), 1.0)
        )
        for name in ("highlight", "neighbours", "epipolar"):
            at = np.flatnonzero(good)
            fault = np.zeros(len(good), dtype=bool)
            if name == "highlight":
                fault[at] = unlike_brightness(centres[at], ratio[at], least=_BRIGHTNESS)
            elif name == "neighbours":
                fault[at] = apart_from_neighbours(centres[at], fit.points_px[at])
            else:
                seen = first.recorded(centres[at]), second.recorded(fit.points_px[at])
                fault[at] = self._off_epipolar(*seen, second.step_px * sigma[at])
            faults[name] = fault
            good &= ~fault
        return faults

    def _off_epipolar(self, at: FloatArray, found: FloatArray, sigma: FloatArray) -> BoolArray:
        if self._rig is None:
            return np.zeros(len(at), dtype=bool)
        distance = pair_distance_px(at, found, self._rig)
        known = np.isfinite(distance)
        off = smooth_removed(at, np.where(known, distance, 0.0), sigma)
        return ~known | beyond(off, sigma)

    def _honest(self, matches: PatchMatches) -> PatchMatches:
        """Covariances widened by what the noise of the pixels does not say; as they are without calibration."""
        if self._rig is None or matches.n == 0:
            return matches
        at, found, sigma = matches.points1_px, matches.points2_px, matches.sigma_px
        off = smooth_removed(at, pair_distance_px(at, found, self._rig), sigma)
        wider = matches.covariance_px2 * scatter_scale(off, sigma) ** 2
        return replace(matches, covariance_px2=with_relief(at, found, wider, self._rig))


def match_pair(
    image1: ImageArray,
    image2: ImageArray,
    *,
    rig: StereoRig | None = None,
    mask1: BoolArray | None = None,
    mask2: BoolArray | None = None,
    known_px: tuple[FloatArray, FloatArray] | None = None,
) -> PatchMatches:
    """Match two pictures once; see :class:`PairMatcher`."""
    return PairMatcher(rig).match(image1, image2, mask1=mask1, mask2=mask2, known_px=known_px)


def _halved(places_px: FloatArray) -> FloatArray:
    return np.asarray((places_px - 0.5) / 2)


def _whole_px(places_px: FloatArray | IntArray) -> FloatArray:
    return np.asarray(places_px * 2.0 + 0.5)

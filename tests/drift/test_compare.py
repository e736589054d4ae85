"""Two calibrations compared: distance, mapping, pose, harm, and what they have in common."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from perturbed import RIG, changed, drawn, moved, provenance, solved
from scipy.stats import chi2, kstest

from rigcheck.drift.common_part import SourcedCalibration, common_part
from rigcheck.drift.compare import compare_calibrations, rig_agreement
from rigcheck.drift.compare_harm import Viewing
from rigcheck.drift.compare_pose import carried_pose
from rigcheck.drift.joint import joint_covariance
from rigcheck.errors import ConfigError
from rigcheck.geometry.honest_rms import honest_rms
from rigcheck.geometry.mapping import mapping_difference
from rigcheck.geometry.rig_change import face_shift, pose_change, pose_change_derivative
from rigcheck.geometry.rotation import exp_rotation, pair_axes
from rigcheck.model import CameraModel, RigidTransform

VIEWING = Viewing(working_distance_mm=195.0)
LATER = "2026-02-01T08:00:00+00:00"


def compared(first, second, **more):
    if isinstance(first, SourcedCalibration):
        return compare_calibrations(first, second, viewing=VIEWING, **more)
    sources = [SourcedCalibration(calibration=one) for one in (first, second)]
    return compare_calibrations(*sources, viewing=VIEWING, **more)


def sourced(calibration):
    return SourcedCalibration(calibration=calibration)


def agreed(first, second, *, prior=None):
    """Only the distance: thousands are quick."""
    a, b = first.calibration, second.calibration
    return rig_agreement(a, b, joint_covariance(a, b, common_part(first, second, prior=prior)))


def value(comparison, name):
    return comparison.measurements[name].value


class TestMapping:
    # A picture and lens of the kind the handbook simulated; it does not name them.
    CAMERA = CameraModel(
        name="a",
        image_size_px=(1280, 1024),
        model="brown",
        focal_px=(1250.0, 1250.0),
        principal_point_px=(639.5, 511.5),
        distortion=(-0.1, 0.05),
    )

    def test_principal_point_is_absorbed_by_a_turn(self):
        """Handbook 2.7: cx + 3 px is 3.00 px raw, 0.25 RMS and 0.61 at most after the best turn (0.12 degrees)."""
        x, y = self.CAMERA.principal_point_px
        found = mapping_difference(self.CAMERA, replace(self.CAMERA, principal_point_px=(x + 3, y)))
        assert found.raw_rms_px == pytest.approx(3.0, abs=1e-9)  # every pixel moves by the same
        assert found.left_rms_px == pytest.approx(0.25, abs=0.005)  # two digits are given
        assert found.left_max_px == pytest.approx(0.61, abs=0.005)  # two digits are given
        assert np.degrees(np.abs(found.turn_rad)) == pytest.approx([0, 0.12, 0], abs=0.01)  # f not named

    def test_focal_length_is_not(self):
        """Handbook 2.7: f + 3 px is 1.21 px with and without a turn."""
        found = mapping_difference(self.CAMERA, replace(self.CAMERA, focal_px=(1253.0, 1253.0)))
        assert found.raw_rms_px == pytest.approx(1.21, abs=0.03)  # the size of the picture is not named
        assert found.left_rms_px == pytest.approx(found.raw_rms_px, rel=1e-3)  # symmetric: no turn helps

    def test_no_other_turn_is_better(self, rng):
        second = replace(self.CAMERA, principal_point_px=(642.0, 508.0), focal_px=(1251.0, 1249.0))
        found = mapping_difference(self.CAMERA, second)
        for _ in range(6):
            turned = exp_rotation(rng(81, 0).normal(0, 1e-4, 3)) @ exp_rotation(found.turn_rad)
            fx, fy = self.CAMERA.focal_px
            assert fx == fy
            assert self._rms(found, second, turned) > found.left_rms_px

    def _rms(self, found, second, rotation):
        """RMS with a given turn, by OpenCV's undistortion and projection."""
        import cv2

        distortion = np.array([*self.CAMERA.distortion, 0.0, 0.0])
        rays = cv2.undistortPoints(
            found.pixels.reshape(-1, 1, 2),
            self.CAMERA.K,
            distortion,
            None,
            None,
            None,
        ).reshape(-1, 2)
        points = np.column_stack([rays, np.ones(len(rays))]) @ rotation.T
        other = np.array([*second.distortion, 0.0, 0.0])
        there = cv2.projectPoints(points.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), second.K, other)[0]
        return np.sqrt(((there.reshape(-1, 2) - found.pixels) ** 2).sum(1).mean())

    def test_another_lens_model(self):
        """A lens by another polynomial that maps alike: brown without distortion against a fisheye fit of it."""
        from scipy.optimize import least_squares

        brown = replace(self.CAMERA, distortion=())

        def fisheye(values):
            return replace(brown, model="fisheye", distortion=tuple(values))

        fit = least_squares(
            lambda values: mapping_difference(brown, fisheye(values)).raw_px.ravel(), np.zeros(4), x_scale=0.1
        )
        found = mapping_difference(brown, fisheye(fit.x))
        assert found.raw_rms_px < 0.01  # tan is followed by four terms to this within 33 degrees
        assert mapping_difference(brown, fisheye(np.zeros(4))).raw_rms_px > 5.0


class TestPose:
    POSE = RIG.camera2_from_camera1

    @pytest.mark.parametrize(("row", "axis"), [(0, "convergence"), (1, "across"), (2, "twist")])
    def test_turns_have_their_names(self, row, axis):
        about = getattr(pair_axes(self.POSE.rotation, self.POSE.translation_mm), axis)
        # The camera turns about its own centre: the centre stays, so the translation turns along.
        turn = exp_rotation(-np.radians(0.05) * about)
        after = RigidTransform(
            rotation=turn @ self.POSE.rotation, translation_mm=turn @ self.POSE.translation_mm
        )
        change = pose_change(self.POSE, after)
        wanted = np.zeros(7)
        wanted[row] = 0.05
        assert change == pytest.approx(wanted, abs=1e-9)  # exact but for rounding

    def test_longer_baseline(self):
        longer = RigidTransform(
            rotation=self.POSE.rotation, translation_mm=self.POSE.translation_mm * 72.1 / 72
        )
        assert pose_change(self.POSE, longer) == pytest.approx(
            [0, 0, 0, 0.1, 0, 0, 0.1], abs=1e-9
        )  # rounding

    def test_forwards_is_towards_the_face(self):
        axes = pair_axes(self.POSE.rotation, self.POSE.translation_mm)
        centre = -self.POSE.rotation.T @ self.POSE.translation_mm + self.POSE.rotation.T @ axes.twist * 0.2
        after = RigidTransform(rotation=self.POSE.rotation, translation_mm=-self.POSE.rotation @ centre)
        assert pose_change(self.POSE, after)[4] == pytest.approx(0.2, abs=1e-9)  # rounding
        assert centre[2] > (-self.POSE.rotation.T @ self.POSE.translation_mm)[2]

    def test_derivative(self):
        by = pose_change_derivative(self.POSE)
        for column in range(6):
            step = np.zeros(6)
            step[column] = 1e-6
            after = RigidTransform(
                rotation=exp_rotation(step[:3]) @ self.POSE.rotation,
                translation_mm=self.POSE.translation_mm + step[3:],
            )
            # One-sided difference: the second derivative times the step is about 1e-6 of it.
            assert pose_change(self.POSE, after) / 1e-6 == pytest.approx(by[:, column], rel=1e-4, abs=2e-4)

    def test_carried_turn_takes_the_principal_point_out(self):
        """A principal point, with the turn that makes up for it in the pose, leaves the carried pose alone."""
        base = solved(0)
        x, y = base.cameras[1].camera.principal_point_px
        other = replace(base.cameras[1].camera, principal_point_px=(x, y + 3.0))
        turn = mapping_difference(base.cameras[1].camera, other).turn_rad
        pose = carried_pose(base.stereo.camera2_from_camera1, (np.zeros(3), turn))
        second = replace(
            changed(base, lower__centre_y_px=3.0),
            stereo=replace(base.stereo, camera2_from_camera1=pose),
            created=LATER,
        )
        found = compared(base, second)
        # 3 px of 1412 are 0.122 degrees; the cameras stand one above the other, so along the baseline.
        assert abs(value(found, "stereo.difference.convergence_deg")) == pytest.approx(0.12, abs=0.02)
        for name in ("convergence", "across", "twist"):
            carried = found.measurements[f"stereo.difference_carried.{name}_deg"]
            assert abs(carried.value) < 1e-6  # the same turn was put in
        assert found.harm.parts["lower"] < 0.1  # what the turn leaves of 3 px, far from all of it
        as_stored = compared(base, changed(base, lower__centre_y_px=3.0))
        assert value(as_stored, "harm.depth_mm") > 4 * value(found, "harm.depth_mm")


class TestHarm:
    def test_baseline_in_closed_form(self):
        """Handbook 2.8: a baseline off by dB moves a point by Z dB / B; the whole scene scales."""
        second = replace(
            RIG,
            camera2_from_camera1=RigidTransform(
                rotation=RIG.camera2_from_camera1.rotation,
                translation_mm=RIG.camera2_from_camera1.translation_mm * (1 + 0.1 / 72),
            ),
        )
        shift = face_shift(RIG, second, working_distance_mm=195.0)
        assert shift.depth_mm == pytest.approx(
            195 * 0.1 / 72, rel=0.02
        )  # RMS over 80 mm of depth is 1 % more
        assert shift.shift_mm == pytest.approx(shift.grid.points_mm @ shift.grid.axes.T * 0.1 / 72, abs=1e-6)

    def test_values_of_the_handbook(self):
        """Handbook 11: convergence 0.05 degrees 0.49 mm, across 0.03 0.003 mm, twist 0.05 0.09 mm (its box differs)."""
        pose = RIG.camera2_from_camera1
        axes = pair_axes(pose.rotation, pose.translation_mm)
        harm = {}
        for name, angle in (("convergence", 0.05), ("across", 0.03), ("twist", 0.05)):
            turn = exp_rotation(-np.radians(angle) * getattr(axes, name))
            after = RigidTransform(rotation=turn @ pose.rotation, translation_mm=turn @ pose.translation_mm)
            moved_rig = replace(RIG, camera2_from_camera1=after)
            harm[name] = face_shift(RIG, moved_rig, working_distance_mm=190.0).depth_mm
        assert harm["convergence"] == pytest.approx(0.49, rel=0.06)  # distance and box are not named there
        assert harm["across"] < 0.02
        assert harm["twist"] == pytest.approx(0.09, rel=0.15)  # one digit given

    def test_a_common_turn_changes_no_shape(self):
        """Both cameras turned alike: everything moves, nothing changes its shape."""
        turn = exp_rotation(np.radians([0.0, 0.1, 0.0]))
        pose = RIG.camera2_from_camera1
        # Camera 1's frame turned, camera 2 held: the pose takes it up.
        x, y = RIG.camera1.principal_point_px
        second = replace(
            RIG,
            camera1=replace(
                RIG.camera1, distortion=(), principal_point_px=(x + 1420 * np.tan(np.radians(0.1)), y)
            ),
            camera2_from_camera1=RigidTransform(
                rotation=pose.rotation @ turn, translation_mm=pose.translation_mm
            ),
        )
        first = replace(RIG, camera1=replace(RIG.camera1, distortion=()))
        shift = face_shift(first, second, working_distance_mm=195.0)
        assert shift.lateral_mm > 0.3
        assert shift.shape_depth_mm < 0.15 * shift.lateral_mm  # a shift is a turn to first order only

    @pytest.mark.parametrize("true", [0.0, 0.03, 0.3])
    def test_interval_is_honest(self, rng, true):
        """Differences with correlated errors: the interval of two sigmas holds the truth in at least 95 of 100."""
        generator = rng(82, int(100 * true))
        directions = generator.normal(size=(40, 3)) * 0.04
        truth = true * np.ones(40)
        covariance = directions @ directions.T
        inside = 0
        for _ in range(600):
            found = honest_rms(truth + directions @ generator.normal(size=3), covariance)
            inside += abs(found.value - true) <= 2 * found.sigma
        assert inside >= 0.94 * 600  # 95 % less one sigma of 600 draws

    def test_errors_are_taken_off(self, rng):
        generator = rng(83, 0)
        draws = [
            honest_rms(0.05 + 0.05 * generator.normal(size=500), 0.0025 * np.eye(500)) for _ in range(50)
        ]
        assert np.mean([one.value for one in draws]) == pytest.approx(0.05, rel=0.05)  # 50 draws of 500


@cache
def untouched(runs: int = 40):
    """Pairs of calibrations whose errors are drawn from their own covariance."""
    base, generator, out = solved(0), np.random.default_rng([84, 0]), []
    for _ in range(runs):
        first = moved(base, drawn(generator, base.covariance))
        second = moved(base, drawn(generator, base.covariance), created=LATER)
        out.append(compared(first, second))
    return out


class TestAgreement:
    def test_distance_is_chi_square(self):
        """Handbook 2.7: d² of an unchanged rig is chi-square of the number of parameters."""
        base, generator = solved(0), np.random.default_rng([86, 0])
        found = [
            agreed(*(sourced(moved(base, drawn(generator, base.covariance))) for _ in range(2)))
            for _ in range(400)
        ]
        assert {one.freedom for one in found} == {22}  # eight a camera and six of the pose
        assert kstest([one.p_value for one in found], "uniform").pvalue > 0.01
        # Mean of chi-square 22 is 22 with sd sqrt(44 / 400) = 0.33.
        assert np.mean([one.value for one in found]) == pytest.approx(22.0, abs=1.0)

    def test_sigmas_of_every_number(self):
        found = untouched()
        names = [name for name, one in found[0].measurements.items() if "difference" in name and one.sigma]
        ratios = np.array(
            [[one.measurements[n].value / one.measurements[n].sigma for n in names] for one in found]
        )
        ratios = np.hstack([ratios, [[p.difference / p.sigma for p in one.parameters] for one in found]])
        # sd of a ratio from 40 draws is 1 ± 0.11; three of them, and many numbers.
        assert ratios.std(0) == pytest.approx(np.ones(ratios.shape[1]), abs=0.35)
        assert len(names) == 14

    def test_pose_alone_is_chi_square_of_six(self):
        found = [one.measurements["agreement.pose_p_value"] for one in untouched()]
        assert {one.n for one in found} == {6}
        assert kstest([one.value for one in found], "uniform").pvalue > 0.01

    def test_harm_interval_of_untouched_rigs(self):
        """value - 2 sigma is above zero, or a limit, in hardly any: no harm is claimed where there is none."""
        found = [one.measurements["harm.depth_mm"] for one in untouched()]
        assert (
            np.mean([one.value - 2 * one.sigma > 1e-9 for one in found]) <= 0.1
        )  # 5 %, and one and a half sigmas of 40

    def test_real_solutions(self):
        """Two calibrations solved from other views of one rig agree; of a rig that was knocked they do not."""
        found = compared(solved(0), solved(1))
        assert found.agreement.p_value > 0.001
        knocked = compared(solved(0), changed(solved(1), stereo__turn_x_rad=np.radians(0.02)))
        assert knocked.agreement.p_value < 1e-6

    def test_printed_quantiles(self):
        """Handbook 2.7: chi-square of 8 degrees, 95 % 15.51 and 99 % 20.09."""
        assert [chi2.ppf(q, 8) for q in (0.95, 0.99)] == pytest.approx(
            [15.51, 20.09], abs=0.005
        )  # two decimals

    def test_different_lens_models(self):
        base = solved(0)
        camera = replace(base.cameras[0].camera, distortion=(*base.cameras[0].camera.distortion, 0.001))
        first = replace(base.cameras[0], camera=camera, sigma_distortion=(0.0,) * 5)
        other = replace(base, cameras=(first, base.cameras[1]), created=LATER)
        found = compared(base, other)
        assert found.agreement is None
        assert value(found, "agreement.pose_p_value") > 0.9  # nothing moved
        assert "different lens models" in found.measurements["agreement.p_value"].reason
        assert value(found, "upper.mapping_left_px") > 0
        assert value(found, "harm.depth_mm") is not None
        assert not any(one.group == "upper" and one.name == "k1" for one in found.parameters)


class TestCommonPart:
    def test_print_scale_cancels(self):
        """The same board: a scale error common to both does not count as a difference, nor its sigma."""
        base = solved(0, measured=True)
        unmeasured = solved(0)
        scale = base.board.scale_sigma
        found = compared(base, replace(base, created=LATER))
        sigma = found.measurements["stereo.difference.baseline_mm"].sigma
        without = compared(unmeasured, replace(unmeasured, created=LATER, provenance=provenance(LATER)))
        alone = without.measurements["stereo.difference.baseline_mm"].sigma
        assert sigma == pytest.approx(alone, rel=1e-3)  # the scale's share is wholly gone
        other = replace(base, board=replace(base.board, name="another"), created=LATER)
        apart = compared(base, other).measurements["stereo.difference.baseline_mm"].sigma
        # Two prints, each off by its own: their shares add.
        assert apart == pytest.approx(
            np.hypot(alone, np.sqrt(2) * scale * 72.0), rel=0.01
        )  # baseline 72.0 ± 0.01

    def test_other_board_not_measured_is_said(self):
        base = solved(0)
        other = replace(base, board=replace(base.board, name="another"), created=LATER)
        assert any("not both prints were measured" in note for note in compared(base, other).notes)

    @pytest.mark.parametrize("case", ["both", "second_from_first"])
    def test_shared_prior(self, case):
        """Calibrations made with one prior, drawn in the linear Gaussian model: p-values stay uniform.

        With what is common left in, they would pile up near one.
        """
        base = solved(0)
        own = 4.0 * base.covariance  # what each clip says by itself
        k = [n for n, name in enumerate(base.parameters) if name.split(".")[0] in ("upper", "lower")]
        prior_covariance = base.covariance
        information = np.zeros_like(own)
        information[np.ix_(k, k)] = np.linalg.inv(prior_covariance[np.ix_(k, k)])
        posterior = np.linalg.inv(information + np.linalg.inv(own))
        generator, p, naive = np.random.default_rng([85, len(case)]), [], []
        for _ in range(200):
            common = drawn(generator, prior_covariance)
            made = []
            for created in ("2026-01-07T08:00:00+00:00", LATER):
                mine = drawn(generator, own)
                pull = information @ common + np.linalg.solve(own, mine)
                calibration = replace(moved(base, posterior @ pull, created=created), covariance=posterior)
                made.append(self._with_prior(calibration, created))
            prior = SourcedCalibration(calibration=moved(base, common), sha256="p" * 64)
            first = prior if case == "second_from_first" else made[0]
            p.append(agreed(first, made[1], prior=prior).p_value)
            naive.append(agreed(first, sourced(self._without(made[1].calibration))).p_value)
        assert kstest(p, "uniform").pvalue > 0.01
        assert kstest(naive, "uniform").pvalue < 1e-4  # planted: the common part left in

    def _with_prior(self, calibration, created):
        made = replace(provenance(created, prior="workshop.yaml"), inputs_sha256={"workshop.yaml": "p" * 64})
        return SourcedCalibration(calibration=replace(calibration, provenance=made))

    def _without(self, calibration):
        return replace(calibration, provenance=provenance(calibration.created))

    def test_prior_not_at_hand_is_said(self):
        first = self._with_prior(solved(0), solved(0).created)
        second = self._with_prior(replace(solved(1), created=LATER), LATER)
        found = compared(first, second)
        assert found.common.bounded
        assert any("not at hand" in note for note in found.notes)

    def test_same_footage(self):
        """The same clip in both: no sigma, no test; the harm stands as it is."""
        made = [
            replace(
                one, provenance=replace(one.provenance, inputs_sha256={"a.mov": "f" * 64, "b.yaml": "b" * 64})
            )
            for one in (solved(0), changed(solved(0), stereo__translation_z_mm=0.1))
        ]
        found = compared(*made)
        assert found.measurements["harm.depth_mm"].sigma is None
        assert found.agreement is None
        boards = [
            replace(
                one, provenance=replace(one.provenance, inputs_sha256={f"{n}.mov": str(n), "b.yaml": "b"})
            )
            for n, one in enumerate(made)
        ]
        assert compared(*boards).agreement is not None  # the board file alone is no footage

    @pytest.mark.parametrize(
        ("first", "second", "independent"),
        [
            ("a.mov@0-6", "a.mov@6.5-12", True),
            ("a.mov@0-6", "a.mov@5-12", False),
            ("a.mov@0-6", "a.mov", False),
            ("a.mov@-6", "a.mov@7-", False),
            ("a.mov@00:00:03:00-00:00:09:12", "a.mov@00:00:09:13-00:00:12:00", True),
            ("a.mov@00:00:03:00-00:00:09:12", "a.mov@00:00:09:11-00:00:12:00", False),
            ("a.mov@00:00:03.00-00:00:09.12", "a.mov@00:00:09.13-00:00:12.00", True),
            ("a.mov@0-6", "a.mov@00:00:09:11-00:00:12:00", False),
            ("a.mov@0-3,a.mov@9-12", "a.mov@4-8", True),
            ("a.mov@0-3,a.mov@7-12", "a.mov@4-8", False),
        ],
    )
    def test_parts_of_one_clip(self, first, second, independent):
        """Other in and out points of the same file are other pictures; open or mixed ones may be the same."""
        sides = [
            sourced(
                replace(
                    one,
                    provenance=replace(
                        provenance(one.created, footage1=text), inputs_sha256={"a.mov": "f" * 64}
                    ),
                )
            )
            for one, text in ((solved(0), first), (solved(1), second))
        ]
        assert common_part(*sides).same_footage is not independent


class TestRefusals:
    def test_same_calibration_twice(self):
        with pytest.raises(ConfigError, match="two are needed"):
            compared(solved(0), solved(0))

    def test_other_size(self):
        base = solved(0)
        camera = replace(base.cameras[0].camera, image_size_px=(540, 720))
        other = replace(
            base, cameras=(replace(base.cameras[0], camera=camera), base.cameras[1]), created=LATER
        )
        with pytest.raises(ConfigError, match="540 x 720"):
            compared(base, other)

    def test_swapped_cameras(self):
        base = solved(0)
        with pytest.raises(ConfigError, match="the same, in"):
            compared(base, replace(base, cameras=base.cameras[::-1], created=LATER))

    def test_one_against_two(self):
        base = solved(0)
        with pytest.raises(ConfigError, match="one of 1"):
            compared(base, replace(base, cameras=base.cameras[:1], stereo=None, created=LATER))

    def test_other_names_are_compared_in_order_and_said(self):
        base, other = solved(0), solved(1)
        names = ("camera1", "camera2")
        renamed = replace(
            other,
            cameras=tuple(
                replace(one, camera=replace(one.camera, name=name))
                for one, name in zip(other.cameras, names, strict=True)
            ),
            parameters=tuple(
                name.replace("upper.", "camera1.").replace("lower.", "camera2.") for name in other.parameters
            ),
        )
        found = compared(base, renamed)
        assert found.agreement.value == pytest.approx(
            compared(base, other).agreement.value, rel=1e-9
        )  # the same
        assert any("other names" in note for note in found.notes)

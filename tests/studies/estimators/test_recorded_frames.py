"""Recorded frames: round trips, agreement, truth, and every way in which a file can be bad."""

import cv2
import numpy as np
import pytest

from sim.foundations.errors import ProfileError
from sim.kernels import compiled
from sim.studies.estimators.agreement import compare_frames, successive_scatter_px
from sim.studies.estimators.belief_check import check_belief
from sim.studies.estimators.cases import nominal
from sim.studies.estimators.frames import frames_of
from sim.studies.estimators.recorded_frames import load_frames, load_truth, order_warning
from sim.studies.estimators.settings import entrants

FULL_SCALE = 1023
RANDOM = np.random.default_rng(1).integers(0, 900, (24, 24)).astype(np.uint16)


@pytest.fixture(scope="module")
def recorded(demo):
    """Return simulated frames that stand in for recorded ones, and where their spots are."""
    frames = frames_of(nominal(demo), 0, 11, compiled)
    return frames.with_spot_dn[:256].astype(np.uint16), frames.truth_px[:256]


def write_truth(path, truth):
    lines = ["frame,x_px,y_px", *(f"{i},{x:.9f},{y:.9f}" for i, (x, y) in enumerate(truth))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_npy_png_and_tiff_come_back_as_they_went(tmp_path, recorded):
    frames, _ = recorded
    np.save(tmp_path / "stack.npy", frames)
    cv2.imwritemulti(str(tmp_path / "stack.tif"), list(frames[:5]))
    folder = tmp_path / "single"
    folder.mkdir()
    for i, frame in enumerate(frames[:12]):
        cv2.imwrite(str(folder / f"{i:04d}.png"), frame)
    (folder / "notes.txt").write_text("not a frame", encoding="utf-8")
    np.testing.assert_array_equal(load_frames(tmp_path / "stack.npy", FULL_SCALE), frames)
    np.testing.assert_array_equal(load_frames(tmp_path / "stack.tif", FULL_SCALE), frames[:5])
    np.testing.assert_array_equal(load_frames(folder, FULL_SCALE), frames[:12])
    np.save(tmp_path / "one.npy", frames[0])
    assert load_frames(tmp_path / "one.npy", FULL_SCALE).shape == (1, 24, 24)


def test_with_truth_the_errors_are_those_of_the_bench(tmp_path, demo, own, recorded):
    frames, truth = recorded
    path = write_truth(tmp_path / "truth.csv", truth)
    truth_px = load_truth(path, 256, (24, 24))
    result = compare_frames(entrants(own, demo), frames.astype(np.int32), demo, truth_px)
    rows = {row["estimator"]: row for row in result.rows}
    # 256 frames, two axes: three deviations of a scatter are 3 / sqrt(2 x 510) = 9 %; of a mean
    # 3 / 16 of the scatter. The light is found from the frames: the bound follows within 1 %.
    best = rows["poisson_fit"]
    assert best["bound_px"] == pytest.approx(0.01574, rel=0.01)
    assert best["scatter_px"] == pytest.approx(0.01574, rel=0.1)
    assert best["bias_rms_px"] < 3 / 16 * best["scatter_px"]
    assert best["signal_e"] == pytest.approx(20000, rel=0.02)
    for row in rows.values():
        total = np.hypot(row["bias_rms_px"], row["scatter_px"])
        assert row["rms_error_px"] == pytest.approx(total, rel=0.01)


def test_without_truth_scatter_is_that_of_successive_frames(demo, own):
    # One spot at rest: 400 readings of one position.
    case = nominal(demo)
    with_spot = frames_of(case, 0, 11, compiled).with_spot_dn[::32]
    more = frames_of(case, 1, 11, compiled).with_spot_dn[::32]
    result = compare_frames(entrants(own, demo), np.concatenate([with_spot, more]), demo)
    row = {r["estimator"]: r for r in result.rows}["poisson_fit"]
    # 64 frames, successive differences: about 20 % at three deviations.
    assert row["scatter_px"] == pytest.approx(0.01574, rel=0.25)
    assert row["bias_rms_px"] is row["wrong_rate"] is row["rms_error_px"] is None


def test_differences_are_zero_to_oneself_and_the_same_both_ways(demo, own, recorded):
    frames, _ = recorded
    differences = compare_frames(entrants(own, demo), frames.astype(np.int32), demo).differences_px
    matrix = np.array(differences, dtype=float)
    np.testing.assert_array_equal(np.diag(matrix), 0)
    np.testing.assert_array_equal(matrix, matrix.T)
    assert matrix[1:].max() < 0.2


def test_drift_is_not_scatter():
    spot = np.stack([np.linspace(10, 12, 2000), np.full(2000, 11.0)], axis=1)
    noisy = spot + np.random.default_rng(2).normal(0, 0.02, spot.shape)
    # 3999 differences, each neighbour shared: 3 % at three deviations or so.
    assert successive_scatter_px(noisy, np.ones(2000, bool)) == pytest.approx(0.02, rel=0.05)


def bad_frames(name, tmp_path):
    path = tmp_path / name
    good = np.full((3, 24, 24), 40, np.uint16)
    if name == "empty":
        path.mkdir()
    elif name == "text.png":
        path.write_text("no image", encoding="utf-8")
    elif name == "text.npy":
        path.write_text("no array", encoding="utf-8")
    elif name == "frames.raw":
        path.write_bytes(b"123")
    elif name == "float.npy":
        np.save(path, good / 2)
    elif name == "four.npy":
        np.save(path, good[None])
    elif name == "objects.npy":
        np.save(path, np.array([{}], dtype=object), allow_pickle=True)
    elif name == "bright.npy":
        np.save(path, good * 100)
    elif name == "tiny.npy":
        np.save(path, good[:, :3])
    elif name == "huge.npy":
        np.save(path, np.zeros((1, 300, 24), np.uint8))
    elif name == "colour.png":
        cv2.imwrite(str(path), np.zeros((24, 24, 3), np.uint8))
    elif name == "mixed":
        path.mkdir()
        cv2.imwrite(str(path / "a.png"), good[0])
        cv2.imwrite(str(path / "b.png"), good[0, :, :20])
    elif name == "cut.tif":
        cv2.imwritemulti(str(path), [frame + k for k, frame in enumerate([*good] * 4)])
        path.write_bytes(path.read_bytes()[:-2000])
    elif name == "depths.tif":
        cv2.imwritemulti(str(path), [good[0], good[0].astype(np.uint8)])
    elif name == "depths":
        path.mkdir()
        cv2.imwrite(str(path / "a.png"), good[0])
        cv2.imwrite(str(path / "b.png"), good[0].astype(np.uint8))
    elif name == "cut.png":
        cv2.imwrite(str(path), RANDOM)
        path.write_bytes(path.read_bytes()[:-300])
    elif name == "flipped.png":
        cv2.imwrite(str(path), RANDOM)
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 255
        path.write_bytes(bytes(content))
    elif name == "pages.tif":
        cv2.imwritemulti(str(path), [good[0], good[0, :20]])
    return path


BAD_FRAMES = [
    ("missing", "no such file or folder"),
    ("empty", "holds no frames"),
    ("text.png", "not a readable image"),
    ("text.npy", "not a readable NPY file"),
    ("frames.raw", r"frames must be \.npy, \.png, \.tif, \.tiff"),
    ("float.npy", "whole digital numbers, got float64"),
    ("four.npy", r"grey frames \(M, H, W\), got shape \(1, 3, 24, 24\)"),
    ("objects.npy", "not a readable NPY file"),
    ("bright.npy", r"within 0 and 1023 DN.*got 4000 to 4000"),
    ("tiny.npy", "4 to 256 pixels high and wide, got 3 x 24"),
    ("huge.npy", "4 to 256 pixels high and wide, got 300 x 24"),
    ("colour.png", "must be grey, got 3 channels"),
    ("mixed", "first has 24 x 24, this one 24 x 20"),
    ("cut.tif", r"page \d+ lies beyond the end of the file: it is cut off"),
    ("depths.tif", "page 2: all pages must have one depth; the first has uint16, this one uint8"),
    ("depths", "all frames must have one depth; a.png has uint16, this one uint8"),
    ("cut.png", r"is cut off after \d+ bytes"),
    ("flipped.png", "is damaged: a checksum is wrong"),
    ("pages.tif", "page 2: all pages must have one size; the first has 24 x 24, this one 20"),
]


@pytest.mark.parametrize(("name", "message"), BAD_FRAMES)
def test_bad_frames_are_refused_by_name(tmp_path, capfd, name, message):
    path = bad_frames(name, tmp_path)
    capfd.readouterr()
    with pytest.raises(ProfileError, match=message) as refusal:
        load_frames(path, FULL_SCALE)
    assert str(tmp_path) in str(refusal.value)
    assert capfd.readouterr() == ("", "")


def test_a_tiff_cut_off_at_any_place_is_refused_or_whole(tmp_path):
    """Whatever is left of six pages: never fewer pages than the file says, never a page altered."""
    frames = np.random.default_rng(4).integers(30, 900, (6, 16, 16)).astype(np.uint16)
    whole = tmp_path / "whole.tif"
    cv2.imwritemulti(str(whole), list(frames))
    content = whole.read_bytes()
    for length in range(4, len(content), 97):
        path = tmp_path / "cut.tif"
        path.write_bytes(content[:length])
        try:
            read = load_frames(path, FULL_SCALE)
        except ProfileError:
            continue
        np.testing.assert_array_equal(read, frames)


def test_files_are_read_in_the_order_of_their_numbers(tmp_path):
    for number in (1, 2, 10):
        cv2.imwrite(str(tmp_path / f"f{number}.png"), np.full((8, 8), number, np.uint16))
    assert load_frames(tmp_path, FULL_SCALE)[:, 0, 0].tolist() == [1, 2, 10]
    warning = order_warning(tmp_path)
    assert warning is not None and "from f2.png on" in warning
    (tmp_path / "f10.png").unlink()
    assert order_warning(tmp_path) is None


def test_a_byte_order_mark_is_accepted(tmp_path):
    path = tmp_path / "truth.csv"
    path.write_bytes(b"\xef\xbb\xbfx_px,y_px\n1,2\n3,4\n")
    assert load_truth(path, 2, (24, 24)).tolist() == [[1, 2], [3, 4]]


def at_rest(demo, n=400, **changes):
    """Return n frames of one spot at rest, and where it is."""
    camera = demo.replace(**changes)
    sets = [frames_of(nominal(camera), k, 3, compiled) for k in range(-(-n // 32))]
    frames = np.concatenate([each.with_spot_dn[::32] for each in sets])[:n]
    return frames, np.tile(sets[0].truth_px[0], (len(frames), 1))


def test_the_stated_camera_is_found_in_its_own_frames(demo):
    frames, spots = at_rest(demo)
    checks = {c.what: c for c in check_belief(frames, demo, spots)}
    assert all(c.agrees for c in checks.values()), checks
    assert checks["gain"].found == pytest.approx(0.5, rel=0.1)
    assert checks["dark level"].found == pytest.approx(42, abs=0.5)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"black_dn": 40}, "dark level"),
        ({"read_noise_e": 12}, "noise in the dark"),
        ({"gain_dn_per_e": 0.8, "black_dn": 26}, "gain"),
        ({"full_well_e": 700}, "saturation"),
    ],
)
def test_a_camera_that_is_not_as_stated_is_named(demo, changes, what):
    frames, spots = at_rest(demo, **changes)
    checks = {c.what: c for c in check_belief(frames, demo, spots)}
    assert not checks[what].agrees, checks[what].text


def test_a_frame_without_a_spot_does_not_spoil_the_gain(demo):
    frames, spots = at_rest(demo)
    frames, spots = frames.copy(), spots.copy()
    frames[100], spots[100] = 42, np.nan
    checks = {c.what: c for c in check_belief(frames, demo, spots)}
    assert checks["gain"].found == pytest.approx(0.5, rel=0.1)


def test_gain_is_not_read_off_a_spot_that_moves(demo, recorded):
    frames, truth = recorded
    checks = {c.what: c for c in check_belief(frames.astype(np.int32), demo, truth)}
    assert checks["gain"].found is None
    assert "moves" in checks["gain"].text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no rows"),
        ("x_px,y_px\n", "holds no rows"),
        ("x,y_px\n1,2\n1,2\n", "no x_px found"),
        ("x_px,y_px\n1,2\n", r"one row a frame, 2 \(got 1\)"),
        ("x_px,y_px\n1,2\n24,2\n", r"row 3: x_px must lie within the window, -0\.5 to 23\.5 px"),
        ("x_px,y_px\n1,2\n1,far\n", r"row 3: y_px must be a finite number \(got 'far'\)"),
        ("x_px,y_px\n1,2\nnan,2\n", "row 3: x_px must be a finite number"),
        ("x_px,y_px\n1,2\n1\n", r"row 3: y_px must be a finite number \(got None\)"),
    ],
)
def test_bad_truth_is_refused_by_row(tmp_path, text, message):
    path = tmp_path / "truth.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError, match=message):
        load_truth(path, 2, (24, 24))


def test_truth_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(ProfileError, match="cannot be read: No such file"):
        load_truth(tmp_path / "none.csv", 2, (24, 24))
    path = tmp_path / "binary.csv"
    path.write_bytes(b"\xff\xfe\x00x")
    with pytest.raises(ProfileError, match="must be UTF-8 text, line 1 is not"):
        load_truth(path, 2, (24, 24))

"""Files of users: regular, bounded, in UTF-8, or one message that quotes nothing of them."""

import os
import struct
import zlib

import numpy as np
import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.foundations.errors import OutputError, ProfileError, ScenarioError, SimError
from sim.foundations.files.arrays import read_npy, read_npz
from sim.foundations.files.filing import check_output
from sim.foundations.files.reading import read_text
from sim.foundations.kinds.outside import Outside, load
from sim.mirror.population_file import read_population
from sim.studies.compare.model import load_comparison
from sim.studies.connections.taken_over import servo_of_run
from sim.studies.estimators.image_files import PNG_START
from sim.studies.estimators.recorded_frames import load_frames, load_truth
from sim.studies.identify.log import read_logs
from sim.studies.sweep.store import read_store


def checked(path, *words):
    return CliRunner().invoke(cli, ["check", str(path), *words])


def test_a_byte_order_mark_is_left_out(tmp_path):
    (tmp_path / "a").write_bytes(b"\xef\xbb\xbfseed = 1")
    assert read_text(tmp_path / "a", fault=ScenarioError) == "seed = 1"


def test_what_is_no_file_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "long").write_bytes(b"x" * 2_000_001)
    for name, words in (
        ("pipe", "it is a pipe, not a file"),
        (".", "it is a folder, not a file"),
        ("/dev/zero", "it is a device, not a file"),
        ("loop", "symbolic links"),
        ("n" * 300, "File name too long"),
        ("gone", "No such file"),
        ("a\0b", "NUL"),
        ("long", "must have 2 MB at most"),
    ):
        with pytest.raises(ScenarioError, match=words):
            read_text(tmp_path / name, fault=ScenarioError, largest_mb=2.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = " + "[" * 3000 + "]" * 3000, "nested too deep"),
        ("x = " + "9" * 5000, "a number in it is too long"),
        ("root:x:0:0:secret:/root", "is not valid TOML"),
        ("seed = 1\n\xff secret", "is not valid TOML"),
        ("seed = 0x" + "f" * 6000, "seed"),
    ],
)
def test_a_file_of_another_form_is_one_message_that_quotes_nothing(tmp_path, text, words):
    (tmp_path / "case.toml").write_text(text, encoding="utf-8")
    outcome = checked(tmp_path / "case.toml")
    assert outcome.exit_code == 2 and words in outcome.stderr, outcome.stderr
    said = outcome.stderr.replace(str(tmp_path), "")
    assert "secret" not in said and "root" not in said


def test_bases_may_not_go_deep(tmp_path):
    for i in range(40):
        (tmp_path / f"{i}.toml").write_text(f'base = "{i + 1}.toml"\n')
    outcome = checked(tmp_path / "0.toml")
    assert outcome.exit_code == 2 and "16 deep at most" in outcome.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("switch.geometry.ports_per_side=1000000", "less than or equal to 4096"),
        ("shaping={kind='minimum_jerk',duration_ms=1e7}", "less than or equal to 1000"),
        ("camera.latency_us=1e7", "100 frames at most"),
        ("duration_ms=1e12", "GB of memory, more than the limit"),
        ("metrics.hold_to_ms=1e6", "must end within the run"),
        ("switch.optics.waist_um=0.5", "at least the wavelength"),
        ("switch.optics.mirror_radius_um=5000", "not be wider than the pitch"),
        ("camera.black_dn=1023", "below full scale"),
        ("mirror.cubic_per_rad2=[-9000,0]", "spring of axis x"),
    ],
)
def test_nonsense_is_refused_before_anything_is_made(change, words):
    outcome = checked("single_mirror_step", "--set", change)
    assert outcome.exit_code == 2 and words in outcome.stderr, outcome.output


def npy_header(shape, dtype="<i4"):
    text = f"{{'descr': '{dtype}', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + len(text).to_bytes(2, "little") + text.encode()


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"root:x:0:0:secret:/root",
        npy_header((10**6, 10**6)),  # says 4 TB, holds nothing
        npy_header((2, 2)) + b"\0" * 15,
        npy_header((1,), "|O") + b"\0" * 8,
        b"\x93NUMPY\x01\x00\x10\x00" + b"{'secret': [[[[[\n",
    ],
    ids=["empty", "text", "huge", "cut", "objects", "header"],
)
def test_an_array_that_is_not_whole_is_refused_without_making_room_for_it(tmp_path, content):
    path = tmp_path / "a.npy"
    path.write_bytes(content)
    with pytest.raises(ProfileError, match="is not a readable NPY file of numbers") as refusal:
        read_npy(path, fault=ProfileError)
    assert "secret" not in str(refusal.value)


def test_arrays_come_back_as_they_were(tmp_path):
    arrays = {"a": np.arange(6.0).reshape(2, 3), "b": np.array(7), "c": np.eye(3, order="F")}
    np.savez_compressed(tmp_path / "a.npz", **arrays)
    found = read_npz(tmp_path / "a.npz", fault=ProfileError)
    assert found.keys() == arrays.keys()
    for name, array in arrays.items():
        np.testing.assert_array_equal(found[name], array)
        assert found[name].dtype == array.dtype
    np.save(tmp_path / "a.npy", arrays["c"])
    np.testing.assert_array_equal(read_npy(tmp_path / "a.npy", fault=ProfileError), np.eye(3))


def test_a_small_archive_does_not_unfold_to_a_large_one(tmp_path):
    np.savez_compressed(tmp_path / "bomb.npz", a=np.zeros(2_000_000, np.uint8))
    assert (tmp_path / "bomb.npz").stat().st_size < 10_000
    with pytest.raises(ProfileError, match=r"must unfold to 1 MB at most \(it says 2\)"):
        read_npz(tmp_path / "bomb.npz", fault=ProfileError, largest_mb=1.0)
    (tmp_path / "bomb.npz").write_bytes((tmp_path / "bomb.npz").read_bytes()[:-40])
    with pytest.raises(ProfileError, match="is not a readable NPZ file of numbers"):
        read_npz(tmp_path / "bomb.npz", fault=ProfileError)


def chunk(kind, body):
    return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")


def test_an_image_that_says_it_is_huge_is_refused_before_it_is_decoded(tmp_path):
    # PNG, 3rd edition, 11.2.1: width and height, then depth, colour type, three methods.
    header = (60_000).to_bytes(4, "big") * 2 + b"\x10\0\0\0\0"
    path = tmp_path / "a.png"
    chunks = (b"IHDR", header), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")
    path.write_bytes(PNG_START + b"".join(chunk(*each) for each in chunks))
    with pytest.raises(ProfileError, match="4 to 256 pixels high and wide, got 60000 x 60000"):
        load_frames(path, 1023)
    path = tmp_path / "a.tif"  # TIFF 6.0, section 2: one directory with size, strips and lengths
    fields = [(256, 4, 1, 60_000), (257, 4, 1, 60_000), (273, 4, 1, 8), (279, 4, 1, 4)]
    path.write_bytes(
        b"II*\0" + (12).to_bytes(4, "little") + b"\0" * 4 + struct.pack("<H", len(fields))
        + b"".join(struct.pack("<HHII", *field) for field in fields) + b"\0" * 4
    )  # fmt: skip
    with pytest.raises(ProfileError, match="page 1: frames must be windows.*got 60000 x 60000"):
        load_frames(path, 1023)


READERS = {
    "frames": lambda path: load_frames(path.with_suffix(".npy"), 1023),
    "image": lambda path: load_frames(path.with_suffix(".png"), 1023),
    "truth": lambda path: load_truth(path, 2, (24, 24)),
    "population": lambda path: read_population(path, np.arange(2)),
    "log": read_logs,
    "log of arrays": lambda path: read_logs(path.with_suffix(".npz")),
    "mechanisms": load_comparison,
    "store": lambda path: read_store(path, ""),
    "code": lambda path: load(Outside("x", f"{path.with_suffix('.py')}:Name", None)),
    "residual error": lambda path: servo_of_run(path.parent),
}


@pytest.mark.parametrize("reader", READERS)
def test_no_reader_waits_for_a_pipe_or_quotes_a_file_of_another_form(tmp_path, reader):
    names = ["a", "a.npy", "a.png", "a.npz", "a.py", "results.json", "mirrorloop.json"]
    for name in names:
        os.mkfifo(tmp_path / name)
    for make in (os.mkfifo, lambda path: path.write_bytes(b"root:x:0:0:secret:/root\n" * 3)):
        for name in names:
            (tmp_path / name).unlink()
            make(tmp_path / name)
        if reader == "store" and not (tmp_path / "a").is_fifo():
            assert read_store(tmp_path / "a", "").damaged  # what is in it is not quoted
            continue
        with pytest.raises((SimError, SyntaxError)) as refusal:
            READERS[reader](tmp_path / "a")
        assert "secret" not in str(refusal.value) and "root:x" not in str(refusal.value)


def test_a_marker_that_is_a_pipe_is_no_marker(tmp_path):
    (tmp_path / "out").mkdir()
    os.mkfifo(tmp_path / "out" / "mirrorloop.json")
    with pytest.raises(OutputError, match="is no result folder"):
        check_output(tmp_path / "out", overwrite=True)


@pytest.mark.parametrize("number", ["²", "-1", "9" * 5000, "1e300", "1.5"])
def test_a_mirror_is_a_whole_number(tmp_path, number):
    path = tmp_path / "population.csv"
    path.write_text(f"mirror,axis,resonance_hz,quality\n{number},x,500,20\n", encoding="utf-8")
    with pytest.raises(ProfileError, match="line 2: mirror: must be a number"):
        read_population(path, np.arange(2))
    path.write_text(f"time_s,tilt_urad,mirror\n0,1,{number}\n1,1,{number}\n", encoding="utf-8")
    with pytest.raises(ProfileError, match="line 2: mirror: must be a"):
        read_logs(path)


def test_a_log_with_a_huge_hole_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"{i * 1e-3},1,1,1,1" for i in range(100)] + ["1e7,1,1,1,1"]
    names = "time_s,excitation_x_urad,excitation_y_urad,reading_x_urad,reading_y_urad"
    path.write_text("\n".join([names, *rows]), encoding="utf-8")
    with pytest.raises(ProfileError, match="more than 20 instants are missing"):
        read_logs(path)

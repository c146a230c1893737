"""Files of users: regular, bounded, in UTF-8, or one message that quotes nothing of them."""

import os

import pytest
from click.testing import CliRunner

from sim.cli.main import cli
from sim.errors import ScenarioError
from sim.files.reading import read_text


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

"""The folder of golden vectors: raw arrays, an index, the coverage table, and two readers."""

import hashlib
import importlib.metadata
import json
from pathlib import Path

from sim.assembly.build import Built
from sim.firmware.source import c_file, filled, printable
from sim.foundations.files.filing import filed
from sim.scenario.portable import copy_files, portable_toml
from sim.studies.firmware.vectors import Vectors

KIND = "vectors"
READERS = ("vectors.h", "vectors.c", "read_vectors.py")


def write_vectors(
    vectors: Vectors, built: Built, folder: str | Path, *, overwrite: bool = False
) -> Path:
    """Write golden vectors, whole or not at all; return the folder.

    Parameters
    ----------
    vectors : Vectors
        From `vectors_of` or `single_vectors`.
    built : Built
        What they are of.
    folder : str or Path
        The result folder; written whole or not at all.
    overwrite : bool
        Whether an existing one may be replaced.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        If the folder exists and may not be replaced, or cannot be written.
    """
    with filed(Path(folder), kind=KIND, overwrite=overwrite) as new:
        lines = []
        for group, arrays in vectors.groups.items():
            (new / group).mkdir()
            for name, (values, what) in arrays.items():
                data = values.astype(values.dtype.newbyteorder("<")).tobytes()
                file = f"{group}/{name}.bin"
                (new / file).write_bytes(data)
                entry = {
                    "name": f"{group}/{name}", "file": file, "type": values.dtype.name,
                    "shape": list(values.shape), "what": what,
                    "sha256": hashlib.sha256(data).hexdigest(),
                }  # fmt: skip
                lines.append(json.dumps(entry))
        (new / "index.json").write_text(_index(vectors, built, lines), encoding="utf-8")
        for name in READERS:
            (new / name).write_text(c_file(name), encoding="utf-8")
        (new / "README.md").write_text(_page(vectors, built), encoding="utf-8")
        (new / "scenario.toml").write_text(portable_toml(built.resolved), encoding="utf-8")
        copy_files(built.resolved, new)
    return Path(folder)


def _index(vectors: Vectors, built: Built, lines: list[str]) -> str:
    """Return the index, one line an array, so that a reader without JSON finds its way."""
    head = {
        "format": 1,
        "made_by": f"mirrorloop {importlib.metadata.version('mirrorloop')}",
        "title": built.resolved.title,
        "settings_sum": vectors.settings_sum,
        "labels": vectors.labels,
        "coverage": [line._asdict() for line in vectors.coverage],
        "settings": {
            "estimator": built.resolved.estimator,
            "controller": built.resolved.controller,
            "window_px": list(built.resolved.camera.window_px),
            "bits": built.resolved.camera.bits,
            "scale_px_per_mrad": built.resolved.camera.scale_px_per_mrad,
            "mirrors": built.parts.mirrors.tolist(),
        },
    }
    text = "".join(f"{json.dumps(key)}: {json.dumps(value)},\n" for key, value in head.items())
    return "{\n" + text + '"arrays": [\n' + ",\n".join(lines) + "\n]\n}\n"


def coverage_table(vectors: Vectors) -> str:
    """Return the coverage as a table in Markdown."""
    rows = [f"| {c.what} | {c.rows or 'not reached'} | {c.note} |" for c in vectors.coverage]
    return "\n".join(["| what | rows | how |", "|---|---|---|", *rows])


def _page(vectors: Vectors, built: Built) -> str:
    arrays = [
        f"| `{group}/{name}` | {values.dtype.name} | {' x '.join(map(str, values.shape))} "
        f"| {what} |"
        for group, found in vectors.groups.items()
        for name, (values, what) in found.items()
    ]
    table = "\n".join(["| array | type | shape | what |", "|---|---|---|---|", *arrays])
    return filled(
        "vectors.md.j2",
        version=importlib.metadata.version("mirrorloop"),
        title=printable(built.resolved.title),
        arrays=table,
        coverage=coverage_table(vectors),
        exact=vectors.exact,
    )

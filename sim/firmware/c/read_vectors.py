"""Reader for golden vectors: raw little-endian arrays that index.json describes. Needs numpy alone.

`python read_vectors.py [FOLDER]` checks every file, and lists what is there. In a program,
`read("FOLDER")["loop/pixels"]` is an array of the shape that the index states.
"""

import hashlib
import json
import sys
from pathlib import Path
from typing import Any


def index(folder: str | Path = ".") -> dict[str, Any]:
    """Return what index.json says."""
    found: dict[str, Any] = json.loads((Path(folder) / "index.json").read_text(encoding="utf-8"))
    return found


def read(folder: str | Path = ".") -> dict[str, Any]:
    """Return every array by name; a file that is not what the index says is a ValueError."""
    import numpy as np

    found = {}
    for entry in index(folder)["arrays"]:
        data = (Path(folder) / entry["file"]).read_bytes()
        if hashlib.sha256(data).hexdigest() != entry["sha256"]:
            raise ValueError(f"{entry['file']}: has changed since it was written")
        array = np.frombuffer(data, dtype=np.dtype(entry["type"]).newbyteorder("<"))
        found[entry["name"]] = array.reshape(entry["shape"])
    return found


def main(folder: str = ".") -> None:
    """List the arrays of a folder."""
    arrays = read(folder)
    for entry in index(folder)["arrays"]:
        shape = " x ".join(str(side) for side in arrays[entry["name"]].shape)
        print(f"{entry['name']:<24}{entry['type']:<8}{shape:<20}{entry['what']}")


if __name__ == "__main__":
    main(*sys.argv[1:])

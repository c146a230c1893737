"""Print the oldest versions that pyproject.toml allows, as constraints for pip."""

import re
import tomllib
from pathlib import Path

PROJECT = tomllib.loads(Path(__file__).parents[1].joinpath("pyproject.toml").read_text())
for requirement in PROJECT["project"]["dependencies"]:
    name, oldest = re.match(r"([\w-]+)>=([\d.]+)", requirement).groups()
    print(f"{name}=={oldest}.*")

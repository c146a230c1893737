"""Before anything is loaded: one thread for the linear algebra library, as the command has it.

The matrices here are tiny. With more threads they wait for each other, most of all when tests run
side by side.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

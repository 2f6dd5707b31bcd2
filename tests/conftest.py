"""What holds for every test: arithmetic on one thread, as in the program (see ``dualmic/cli.py``).

Two test processes on two cores, each with threads of its own for every matrix, take twice as long.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

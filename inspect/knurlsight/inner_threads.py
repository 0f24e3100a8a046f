"""Threads that linear algebra starts by itself: held to one.

Measuring solves many small systems, for which a second thread costs a quarter more processor time and a longer wait
(two cores, one photo); where many parts run side by side it is in the way of the others.
"""

from __future__ import annotations

import os


def hold_to_one() -> None:
    """For libraries not loaded yet, and for processes started from now on; what the user has set stays."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")

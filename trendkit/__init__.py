"""trendkit: belt filter press exports in; defended figures, upsets and tuning pages out."""

import os

# One thread for linear algebra, told before NumPy is first loaded. The matrices here are small: threads that wait for
# each other took five times the processor time on a busy computer. And last digits do not depend on its cores.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_name, "1")

__version__ = "0.1.0"

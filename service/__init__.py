"""Spring supports of hot piping, from erected and locked to released and proved hot: the service."""

import os

# The matrices here are small: threads of the linear algebra library cost more than they give, and every
# worker would start its own. It reads this when it is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

"""What the kernels of the lessons share: see `warm_kernels`, whose first process loads this."""

import anywidget  # noqa: F401
import ipykernel.ipkernel
import ipykernel.kernelapp  # noqa: F401
import matplotlib.backends.backend_svg
import matplotlib.figure  # noqa: F401
import pandas  # noqa: F401
import scipy.signal  # noqa: F401

import fillalign.audio
import fillalign.plots
import fillalign.sheet  # noqa: F401
from fillalign.classroom.venues import demo_plan

# Of the plans those of more than one lesson.
for name in ("tidewell_hall", "cinder_meadow"):
    demo_plan(name)

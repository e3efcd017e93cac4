"""The status API, signing in, and the phone page."""

import sys

# For every parameter of an address FastAPI asks whether it is a model of Pydantic's first version, and loads that whole
# version to find out: 22 modules, 3 MB and a tenth of the start. We have none; told that it is not there, it knows as well.
sys.modules.setdefault("pydantic.v1", None)  # type: ignore[arg-type]  # None is how a missing module is marked

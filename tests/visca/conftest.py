"""Every head there is: those in the program's folder of dialects, and the one that a newcomer made up."""

from __future__ import annotations

import pytest
from made_up_head import NAME, made_up_head

from ptzd.visca import Dialect, dialect_names, load_dialect, read_dialect


@pytest.fixture(scope="module", params=[*dialect_names(), NAME])
def dialect(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Dialect:
    if request.param == NAME:
        return read_dialect(made_up_head(tmp_path_factory.mktemp("own")))
    return load_dialect(request.param)

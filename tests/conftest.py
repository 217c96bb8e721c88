import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # here, so that plain pytest works too

import pytest


@pytest.fixture(scope="session")
def wren_bench(tmp_path_factory):
    """An archive with the Wren-4, recorded sound and again hurt; to be copied, not changed."""
    from tests.bench import make_bench

    folder = tmp_path_factory.mktemp("bench")
    make_bench(folder)
    return folder

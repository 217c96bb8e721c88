import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # here, so that plain pytest works too

import pytest

LONGEST = ("test_verdicts", "test_style", "test_speed_opinion")


def pytest_collection_modifyitems(items):
    """What takes longest begins first: at the end one core would wait for it."""
    items.sort(key=lambda item: item.path.stem not in LONGEST)


@pytest.fixture(scope="session")
def wren_bench(tmp_path_factory):
    """An archive with the Wren-4, recorded sound and again hurt; to be copied, not changed."""
    from tests.bench import make_bench

    folder = tmp_path_factory.mktemp("bench")
    make_bench(folder)
    return folder


@pytest.fixture(scope="module")
def each_once():
    """What one test of a file has had analysed is not analysed anew for the next with the same settings: `analyze` is pure."""
    import hashlib
    import pickle

    import vibekit.analysis

    real, known = vibekit.analysis.analyze, {}

    def analyze(recording, settings):
        key = hashlib.sha256(pickle.dumps((recording, settings))).digest()
        if key not in known:
            known[key] = real(recording, settings)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vibekit.analysis, "analyze", analyze)
        yield


@pytest.fixture(scope="module")
def playwright():
    """Playwright, which drives a Chromium; skips where one of them is missing. While it runs, no other loop of asyncio can."""
    from tests.browsers import CHROMIUM

    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine (Debian: apt-get install chromium)")
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    try:
        started = api.sync_playwright().start()
    except Exception as error:
        pytest.skip(f"playwright does not start here: {error}")
    yield started
    started.stop()

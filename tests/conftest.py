"""What many tests start from: the demo review, worked out once; how hypothesis is run."""

import signal
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import settings

# The gate is repeatable: the same examples every time. `--hypothesis-profile=search` looks further.
settings.register_profile("gate", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None, max_examples=1000)
settings.load_profile("gate")

ROOT = Path(__file__).parents[1]

# A shell ignores interrupts in what it starts in the background, and programs inherit that;
# the tests that interrupt a program need it as it is in a terminal.
signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """Keep the tests' stored results apart from those of the user who runs them; no progress."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MARGINBOOK_CACHE", str(tmp_path_factory.mktemp("cache")))
        patch.setenv("MARGINBOOK_QUIET", "1")
        yield


@pytest.fixture(scope="session")
def demo():
    """The demo's review, results and claims."""
    from kit.claims.of_pages import make_claims
    from kit.review.walk import load_review, work_out

    review = load_review(ROOT / "params" / "demo.yaml")
    results = work_out(review)
    return SimpleNamespace(review=review, results=results, book=make_claims(review, results))

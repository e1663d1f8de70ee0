"""Golden results: work on the house changes no answer unseen (`tests/reference/make_golden.py`)."""

import sys

import pytest

golden = sys.modules["make_golden"]  # loaded by conftest.py

# Between a processor with AVX2 and the same one without (numpy's baseline, another OpenBLAS kernel,
# numba for a generic processor) labels, words and whole numbers were equal; of the other numbers
# one differed by 3e-7 of itself (the confidence, at few counts), all others by less than 1e-12.
# Two numbers kept to seven digits may differ by 1e-6 of themselves from rounding alone.
RTOL, ATOL = 2e-6, 1e-12
STORED = golden.stored_results()


@pytest.mark.parametrize("name", STORED)
def test_answers_are_those_of_before(name):
    found, digest = golden.results(name)
    lines = golden.differences(STORED[name], found, rtol=RTOL, atol=ATOL)
    told = "\n".join([
        *lines,
        f"labels are {digest} here (no two processors need give the same)",
        "Meant? Then run python tests/reference/make_golden.py, and say so in the commit.",
    ])  # fmt: skip
    assert not lines, told


def test_every_scene_is_stored():
    assert list(STORED) == list(golden.SCENES)


def test_differences_are_seen():
    stored = {"a": {"n": 3, "x": 1.0, "words": ["one", None], "yes": True, "width": 4.5}}

    def lines(**changes):
        return golden.differences(stored, {"a": stored["a"] | changes}, rtol=RTOL, atol=ATOL)

    assert lines(added=1.0, x=1.0 + 1e-6, n=3) == []
    assert lines(x=1.0 + 1e-5) == ["a.x: 1.0 is now 1.00001"]
    assert lines(n=4) == ["a.n: 3 is now 4"]
    assert lines(words=["one", 0.0]) == ["a.words: ['one', None] is now ['one', 0.0]"]
    assert lines(x=None) == ["a.x: 1.0 is now None"]
    moved = {"a": {**stored["a"], "wide": 4.5}}
    del moved["a"]["width"]
    (line,) = golden.differences(stored, moved, rtol=RTOL, atol=ATOL)
    assert line == "a.width: gone (was 4.5; the same as the new ['wide'])"

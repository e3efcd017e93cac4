"""JSON pointers mean what RFC 6901 says, and nothing is guessed."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.wire.causes import Unusable
from monitor.wire.pointer import Pointer
from monitor.wire.strict import json_value

# The document and the answers of RFC 6901 section 5.
RFC_6901 = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_every_example_of_the_rfc_is_answered(pointer, value):
    """The table of RFC 6901 section 5, whole."""
    assert Pointer.parse(pointer).follow(RFC_6901) == value


@pytest.mark.parametrize(
    "pointer",
    ["/nothing", "/foo/2", "/foo/-", "/foo/00", "/foo/01", "/foo/+0", "/foo/1e0", "/foo/٠", "/foo/0/x", "//", "/foo/", "/a/b"],
)
def test_nothing_there_is_said_and_not_guessed(pointer):
    """An index with a leading zero, a sign, other digits or past the end finds nothing (RFC 6901 section 4)."""
    with pytest.raises(Unusable, match="nothing at the pointer"):
        Pointer.parse(pointer).follow(RFC_6901)


@pytest.mark.parametrize("pointer", ["t", "t/u", "/a~", "/a~2b", "#/t"])
def test_a_pointer_that_is_none_is_refused_with_the_right_spelling(pointer):
    """The keeper's slip is found when the settings are read, not at night."""
    with pytest.raises(ValueError, match="JSON pointer"):
        Pointer.parse(pointer)


def test_tilde_escapes_are_undone_in_the_order_of_the_rfc():
    """RFC 6901 section 4: "~01" means "~1", never "/"."""
    assert Pointer.parse("/~01").follow({"~1": 5.0, "/": 6.0}) == 5.0


@given(
    st.recursive(
        st.floats(allow_nan=False, allow_infinity=False),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=12,
    )
)
def test_every_place_in_a_document_has_a_pointer_that_finds_it(document):
    """Writing the path to a value and following it gives that value back."""

    def places(value, path):
        yield path, value
        if isinstance(value, dict):
            for name, member in value.items():
                yield from places(member, f"{path}/{name.replace('~', '~0').replace('/', '~1')}")
        elif isinstance(value, list):
            for index, member in enumerate(value):
                yield from places(member, f"{path}/{index}")

    read = json_value(json.dumps(document).encode())
    for path, value in places(document, ""):
        assert Pointer.parse(path).follow(read) == value

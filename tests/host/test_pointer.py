import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapsed.host.pointer import ABSENT, resolve, tokens

# RFC 6901, section 5: the example document and every pointer into it with its value.
EXAMPLE = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", EXAMPLE),
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
def test_finds_what_the_standard_says(pointer: str, value: object) -> None:
    assert resolve(EXAMPLE, pointer) == value


@pytest.mark.parametrize(
    "pointer",
    [
        "/bar",
        "/foo/2",  # past the end
        "/foo/-",  # RFC 6901, section 4: the member after the last, which is not there
        "/foo/00",  # section 4: no leading zero
        "/foo/01",
        "/foo/+1",
        "/foo/ 1",
        "/foo/\u0661",  # a digit, but not one of ASCII's
        "/foo/" + "9" * 5000,
        "/foo/0/0",
        "//x",
        "/foo/",
    ],
)
def test_says_what_is_not_there(pointer: str) -> None:
    assert resolve(EXAMPLE, pointer) is ABSENT


def test_null_is_there() -> None:
    assert resolve({"a": [None]}, "/a/0") is None


def test_tilde_is_unescaped_after_the_slash() -> None:
    # RFC 6901, section 4: "~01" becomes "~1" after transformation.
    assert tokens("/~01") == ("~1",)


@pytest.mark.parametrize("pointer", ["a", "a/b", "/~", "/~2", "/a~"])
def test_refuses_what_is_no_pointer(pointer: str) -> None:
    with pytest.raises(ValueError, match="JSON Pointer"):
        resolve({}, pointer)


@given(json_values, st.data())
def test_every_place_of_a_document_is_found_by_its_pointer(document: object, data: st.DataObject) -> None:
    value, pointer = document, ""
    while isinstance(value, dict | list) and value and data.draw(st.booleans(), label="deeper"):
        if isinstance(value, dict):
            key = data.draw(st.sampled_from(sorted(value)))
            value, pointer = value[key], f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}"
        else:
            index = data.draw(st.integers(0, len(value) - 1))
            value, pointer = value[index], f"{pointer}/{index}"
    assert resolve(document, pointer) is value


@given(json_values, st.text())
def test_any_pointer_into_any_document_is_answered(document: object, text: str) -> None:
    pointer = "/" + text.replace("~", "~0")
    assert resolve(document, pointer) is ABSENT or isinstance(document, dict | list)

"""YAML means what is written; what could mislead is refused with its line."""

import math

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from rigcheck.errors import InputError, RigcheckError, SchemaError
from rigcheck.records.yaml_reading import LARGEST_YAML_BYTES, parse_yaml, read_yaml
from rigcheck.records.yaml_writing import yaml_text


def value_of(text):
    return parse_yaml(f"key: {text}\n", "f.yaml", "a file").value["key"]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("-12", -12),
        ("+12", 12),
        ("685_230", "685_230"),
        ("0o7", "0o7"),
        ("0123", "0123"),
        ("1e3", 1000.0),
        ("1e-3", 0.001),
        ("-0.5", -0.5),
        (".5", 0.5),
        ("3.", 3.0),
        ("12E03", 12000.0),
        ("12e+3", 12000.0),
        ("-2E+05", -200000.0),
        (".inf", math.inf),
        ("-.Inf", -math.inf),
        ("e3", "e3"),
        (".", "."),
        ("1.2.3", "1.2.3"),
        ("nan", "nan"),
        ("off", "off"),
        ("no", "no"),
        ("yes", "yes"),
        ("Y", "Y"),
        ("1:30", "1:30"),
        ("2026-02-03", "2026-02-03"),
        ("'1'", "1"),
        ('"true"', "true"),
        ('"\\u00e9"', "é"),
    ],
)
def test_scalars_follow_the_core_schema(text, value):
    """YAML 1.2.2, section 10.3.2, and the traps of 1.1; octal and hexadecimal are left as text here."""
    found = value_of(text)
    assert (type(found), found) == (type(value), value)


def test_not_a_number_is_one_for_the_loader():
    assert math.isnan(value_of(".nan"))


def test_loader_is_needed():
    """The library's own loader falls into the traps; should it stop to, ours may go."""
    assert yaml.safe_load("a: off\nb: 1e-3\nc: 1:30\na: 2") == {"a": 2, "b": "1e-3", "c": 90}


@pytest.mark.parametrize(
    ("text", "line", "finding"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, r"'a' a second time \(first on line 1\)"),
        ("a:\n  b: 1\n  b: 2\n", 3, "'a.b' a second time"),
        ("a: &x [1]\nb: *x\n", 1, "anchor or alias"),
        ("a: 1\nb: *x\n", 2, "anchor or alias"),
        ("&x a: 1\n", 1, "not plain text"),
        ("a: !!python/object/apply:os.system [ls]\n", 1, "the tag"),
        ("a: !!str 1\n", 1, "the tag"),
        ("a: ! 1\n", 1, "the tag"),
        ("!!map {a: 1}\n", 1, "the tag"),
        ("a: 1\n1: 2\n", 2, "not plain text"),
        ("a: 1\ntrue: 2\n", 2, "not plain text"),
        ("? [a]\n: 1\n", 1, "not plain text"),
        ("a: 1\n---\nb: 2\n", 2, "second document"),
        ("a: 1\n\tb: 2\n", 2, "not valid YAML"),
        ("a: [1, 2\nb: 3\n", 2, "not valid YAML"),
        ("a: b: c\n", 1, "not valid YAML"),
        ("a: '\n", 2, "not valid YAML"),
        ("a: " + "9" * 41 + "\n", 1, "a number of 41 characters"),
        ("a: " + "[" * 30 + "]" * 30 + "\n", 1, "nested deeper"),
        ('a: "\\ud800"\n', 1, "surrogate|invalid Unicode"),
    ],
)
def test_what_could_mislead_is_refused_with_its_line(text, line, finding):
    with pytest.raises(SchemaError, match=finding) as caught:
        parse_yaml(text, "f.yaml", "a file")
    assert caught.value.message.startswith(f"f.yaml:{line}:")
    assert caught.value.hint


@pytest.mark.parametrize("text", ["", "# only a comment\n", "[1, 2]\n", "just text\n", "---\n...\n"])
def test_what_has_no_entries_is_refused(text):
    with pytest.raises(SchemaError, match="no entries"):
        parse_yaml(text, "f.yaml", "a board file")


@pytest.mark.parametrize(
    "text", ['a: "\\UFFFFFFFF"', "%YAML " + "9" * 5000 + ".1\n---\na: 1", "a: \x00", "a: \x1b[31m"]
)
def test_what_trips_the_library_itself(text):
    with pytest.raises(SchemaError, match="not valid YAML"):
        parse_yaml(text, "f.yaml", "a file")


def test_aliases_that_grow_without_end_cost_nothing():
    """Ten levels of ten aliases each: ten thousand million entries, were they followed."""
    levels = [f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 10)}]" for k in range(1, 11)]
    with pytest.raises(SchemaError, match="anchor or alias"):
        parse_yaml("a0: &a0 [x]\n" + "\n".join(levels), "f.yaml", "a file")


def test_lines_are_known_for_every_entry():
    document = parse_yaml("a: 1\nb:\n  - c: 2\n  - c:\n      [3,\n       4]\n", "f.yaml", "a file")
    places = [("a",), ("b",), ("b", 0, "c"), ("b", 1, "c"), ("b", 1, "c", 1)]
    assert [document.where(place) for place in places] == [f"f.yaml:{line}" for line in (1, 2, 3, 4, 6)]
    assert document.where(("b", 0, "missing")) == "f.yaml:3"


def test_byte_order_mark_and_windows_line_ends(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: x\r\n")
    assert read_yaml(path, "a file").value == {"a": 1, "b": "x"}


@pytest.mark.parametrize(
    ("content", "line"),
    [(b"a: 1\nb: \xff\n", 2), ("a: é\n".encode("latin-1"), 1), ("a: 1\n".encode("utf-16"), 1)],
)
def test_other_encodings(tmp_path, content, line):
    path = tmp_path / "f.yaml"
    path.write_bytes(content)
    with pytest.raises(SchemaError, match="not UTF-8") as caught:
        read_yaml(path, "a file")
    assert f"f.yaml:{line}:" in caught.value.message


def test_too_large_a_file_is_not_read(tmp_path):
    path = tmp_path / "film.yaml"
    with path.open("wb") as file:
        file.truncate(1 << 40)  # a sparse file of a terabyte
    with pytest.raises(SchemaError, match=f"more than {LARGEST_YAML_BYTES // 1024} KiB"):
        read_yaml(path, "a board file")


@pytest.mark.parametrize("name", ["absent.yaml", ".", "absent/b.yaml", "nul\0.yaml", "x" * 5000])
def test_what_is_not_there(tmp_path, name):
    with pytest.raises(InputError) as caught:
        read_yaml(tmp_path / name, "a board file")
    assert "a board file needed" in caught.value.message


scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(10**18), 10**18)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text()
    | st.sampled_from(
        ["1e-3", "off", "no", "~", "", "y", "0x1F", "1_000", "012", "=", "<<", "2026-02-03", ".5", "- a"]
    )
)
contents = st.dictionaries(
    st.text(),
    st.recursive(
        scalars,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
        max_leaves=12,
    ),
    max_size=5,
)


@given(contents)
@example({"a": 1e-05, "b": 1e16, "c": 5e-324, "d": [[1.0, 2.0], [3.0, -0.0]], "e": [], "f": {}})
@example({"a": "\x85", "b": "\u2028x", "c": "\ufeff", "d": "a\tb ", "e": "# x", "f": ": ", "g": "\U0001f600"})
def test_what_is_written_is_read_back(content):
    text = yaml_text(content, heading="a test")
    assert parse_yaml(text, "f.yaml", "a file").value == content
    assert text.encode("utf-8").decode("utf-8") == text


@given(contents)
def test_readers_of_yaml_1_1_read_the_same(content):
    assert yaml.safe_load(yaml_text(content, heading="a test")) == content


def test_floats_stay_floats():
    text = yaml_text({"a": 1.0, "b": 1e300, "c": [2.0]}, heading="a test")
    assert [type(found) for found in parse_yaml(text, "f", "a file").value.values()] == [float, float, list]


def test_what_yaml_cannot_hold_is_a_programming_error():
    with pytest.raises(ValueError, match="cannot be written"):
        yaml_text({"a": object()}, heading="a test")


@given(st.text() | st.text(alphabet="{}[]:,-?!&*#|>'\"%@` \n\tab10.~"))
def test_any_text_is_read_or_refused(text):
    try:
        document = parse_yaml(text, "f.yaml", "a file")
    except RigcheckError:
        return
    assert isinstance(document.value, dict)

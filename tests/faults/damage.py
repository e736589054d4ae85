"""Ways to damage a file: each takes a path and leaves there what a bad disk, editor, card or person would."""

import json
import os
import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import yaml

MARKER = "planted"
# Nothing may ever be written there.
ESCAPED = Path(tempfile.gettempdir()) / f"escaped-{os.getpid()}"
# Each would do something where it reached a page, a drawing, a table or a terminal as it is.
HOSTILE_TEXTS = {
    "script": f"<script>document.title='{MARKER}'</script>",
    "handler": f"\"><img src=x onerror=document.title='{MARKER}'>",
    "drawing": f"</text></svg><svg onload=document.title='{MARKER}'>",
    "quotes": "a\"b'c`d\\e",
    "formula": '=HYPERLINK("http://invalid","x")',
    "formula after a sign": "@SUM(1+1)*cmd|' /C calc'!A0",
    "escape codes": "\x1b[2J\x1b]0;planted\x07red\x1b[31m",
    "eight-bit escape": "\x9b2Jx\x9d0;y\x9c",
    "new lines": "one\nStopped: two\r\nthree",
    "right to left": "abc\u202egpj.exe\u2066\u200f",
    "null": "a\x00b",
    "template": "{{ 7*7 }}{% raw %}${7*7}$x^2$",
    "markup of the terminal": "[bold red]a[/bold red][link=http://invalid]b[/link]",
    "no name": "",
    "white": " \t\u00a0\u3000 ",
    "dots": "../../escaped",
    "absolute": str(ESCAPED),
    "device": "CON",
    "very long": "x" * 5000,
    "emoji": "\U0001f468\u200d\U0001f680\ufe0f" * 9,
    "combining": "a" + "\u0301" * 300,
}
NUMBERS = {
    "zero": 0,
    "minus one": -1,
    "tiny": 5e-324,
    "tiny and minus": -1e-300,
    "huge": 1e308,
    "huge and minus": -1e308,
    "large": 1e18,
    "endless": float("inf"),
    "not a number": float("nan"),
    "whole and huge": 10**30,
}
OTHERS = {
    "nothing": None,
    "true": True,
    "list": [],
    "list of lists": [[[1]]],
    "mapping": {},
    "numbers": [1.0, 2.0, 3.0],
    "mapping of text": {"x": "y"},
}


@dataclass(frozen=True, kw_only=True)
class Damage:
    """One way to damage a file; `kind` is what the report counts it under."""

    kind: str
    name: str
    apply: Callable[[Path], None]


def changed_bytes(change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    return lambda path: void(path.write_bytes(change(path.read_bytes())))


def void(_: object) -> None:
    """Drop a result."""


def flipped(content: bytes, seed: int, bits: int, within: float = 1.0) -> bytes:
    """Turn `bits` bits over, in the first `within` share of the content."""
    rng, out = random.Random(seed), bytearray(content)
    last = max(int(len(out) * within), 1) - 1
    for _ in range(bits):
        if out:
            out[rng.randint(0, min(last, len(out) - 1))] ^= 1 << rng.randint(0, 7)
    return bytes(out)


def cut(content: bytes, share: float) -> bytes:
    return content[: int(len(content) * share)]


def with_hole(content: bytes, seed: int) -> bytes:
    """A block of zeros, as a lost sector reads."""
    rng, size = random.Random(seed), max(len(content) // 4, 1)
    start = rng.randint(0, max(len(content) - size, 0))
    return content[:start] + bytes(min(size, len(content) - start)) + content[start + size :]


def exchanged(content: bytes, seed: int) -> bytes:
    """Two blocks exchanged."""
    rng, n = random.Random(seed), len(content)
    a, b, c, d = sorted(rng.randint(0, n) for _ in range(4))
    return content[:a] + content[c:d] + content[b:c] + content[a:b] + content[d:]


def byte_damages(seeds: range) -> Iterator[Damage]:
    """What storage does to any file."""
    for seed in seeds:
        for bits, within in ((1, 1.0), (1, 0.05), (64, 1.0)):
            name = f"{bits} of seed {seed}" + (", near the start" if within < 1 else "")
            yield Damage(
                kind="bit flips",
                name=name,
                apply=changed_bytes(lambda c, s=seed, b=bits, w=within: flipped(c, s, b, w)),
            )
        yield Damage(
            kind="lost blocks", name=f"zeros {seed}", apply=changed_bytes(lambda c, s=seed: with_hole(c, s))
        )
        yield Damage(
            kind="lost blocks",
            name=f"exchanged {seed}",
            apply=changed_bytes(lambda c, s=seed: exchanged(c, s)),
        )
    for share in (0.0, 0.01, 0.3, 0.7, 0.99):
        yield Damage(
            kind="cut short", name=f"to {share:.0%}", apply=changed_bytes(lambda c, s=share: cut(c, s))
        )
    yield Damage(kind="cut short", name="by one byte", apply=changed_bytes(lambda c: c[:-1]))
    noise = random.Random(1).randbytes(3000)
    for name, change in {
        "zeros": lambda c: bytes(len(c)),
        "noise": lambda c: noise,
        "twice": lambda c: c + c,
        "zero bytes after it": lambda c: c + bytes(512),
        "noise before it": lambda c: noise[:64] + c,
        "other byte order": lambda c: c.decode("latin-1").encode("utf-16"),
        "eight-bit text": lambda c: c + "\n# ü".encode("latin-1"),
    }.items():
        yield Damage(kind="other bytes", name=name, apply=changed_bytes(change))


def _gone(path: Path) -> None:
    path.unlink()


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "note.txt").write_text("mine")


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _link(target: str) -> Callable[[Path], None]:
    def apply(path: Path) -> None:
        path.unlink()
        path.symlink_to(path.name if target == "itself" else target)

    return apply


def place_damages() -> Iterator[Damage]:
    """What stands where a file should."""
    for name, apply in {
        "gone": _gone,
        "folder": _folder,
        "pipe": _pipe,
        "link to nowhere": _link("gone.yaml"),
        "link to itself": _link("itself"),
        "endless device": _link("/dev/zero"),
        "empty device": _link("/dev/null"),
    }.items():
        yield Damage(kind="wrong place", name=name, apply=apply)


def wrong_files(others: dict[str, Path]) -> Iterator[Damage]:
    """Another right file where this one should be: the slip of a tired hand."""
    for name, other in others.items():
        content = other.read_bytes()
        yield Damage(kind="wrong kind", name=name, apply=lambda path, c=content: void(path.write_bytes(c)))


LAUGHS = "a: &a [x, x]\n" + "".join(
    f"{chr(98 + k)}: &{chr(98 + k)} [*{chr(97 + k)}, *{chr(97 + k)}]\n" for k in range(20)
)
YAML_TEXTS = {
    "laughs": LAUGHS,
    "anchor": "name: &a x\nother: *a\n",
    "merge": "base: &b {name: x}\n<<: *b\n",
    "tag": "name: !!python/object/apply:os.system ['touch escaped']\n",
    "tag of text": "name: !!str 1\n",
    "binary": "name: !!binary aGVsbG8=\n",
    "set": "? a\n? b\n",
    "deep list": "a: " + "[" * 5000 + "]" * 5000,
    "deep mapping": "a: " + "{a: " * 5000 + "1" + "}" * 5000,
    "deep by indentation": "".join(f"{' ' * k}a:\n" for k in range(1200)),
    "two documents": "---\na: 1\n---\nb: 2\n",
    "key that is a list": "[1, 2]: x\n",
    "key that is null": "null: x\n",
    "huge number": "square_mm: " + "9" * 100_000 + "\n",
    "huge text": "name: " + "x" * 900_000 + "\n",
    "huge key": "x" * 2000 + ": 1\n",
    "many keys": "".join(f"k{n}: {n}\n" for n in range(60_000)),
    "many items": "a: [" + "1," * 400_000 + "1]\n",
    "half of a pair": 'name: "\\ud800"\n',
    "escapes": 'name: "\\x1b[2J\\u202e\\0"\n',
    "control": "name: a\x07b\n",
    "tabs": "name:\n\t- x\n",
    "directive": "%YAML 9.9\n---\nname: x\n",
    "only a comment": "# nothing\n",
    "only a list": "- a\n- b\n",
    "only a number": "42\n",
    "broken escape": 'name: "\\U99999999"\n',
    "unfinished": 'name: "abc\n',
    "octal and base 60": "squares: [0o11, 1:30]\n",
    "null bytes": "name: a\0b\n",
    "mark in the middle": "name: a\ufeffb\n",
}
JSON_TEXTS = {
    "deep": "[" * 100_000 + "]" * 100_000,
    "deep mapping": '{"a":' * 50_000 + "1" + "}" * 50_000,
    "a list": "[1, 2]",
    "a number": "7",
    "not a number": '{"format": "rigcheck-result", "version": NaN}',
    "twice": '{"format": "rigcheck-result", "format": "rigcheck-result"}',
    "huge number": '{"format": "rigcheck-result", "version": ' + "9" * 5000 + "}",
    "half of a pair": '{"format": "rigcheck-result", "\\ud800": "\\udfff"}',
    "comment": '{"format": "rigcheck-result" /* mine */}',
    "newer": '{"format": "rigcheck-result", "version": 2}',
    "huge": '{"format": "rigcheck-result", "x": "' + "x" * 3_000_000 + '"}',
    "only its name": '{"format": "rigcheck-result"}',
}


def text_damages(kind: str) -> Iterator[Damage]:
    """Texts written to be hostile to a reader of YAML, or of JSON."""
    texts = JSON_TEXTS if kind == "json" else YAML_TEXTS
    for name, text in texts.items():
        content = text.encode("utf-8")
        yield Damage(
            kind=f"hostile {kind.upper()}", name=name, apply=lambda path, c=content: void(path.write_bytes(c))
        )
        if kind == "yaml" and len(content) < 3000:
            yield Damage(
                kind="hostile YAML",
                name=f"{name}, after right text",
                apply=changed_bytes(lambda c, more=content: c + b"\n" + more),
            )


Path_ = tuple[str | int, ...]


def places(value: object, here: Path_ = ()) -> Iterator[Path_]:
    """Every entry of a document; of a list the first and the last."""
    if here:
        yield here
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*here, key))
    elif isinstance(value, list):
        for k in sorted({0, len(value) - 1} & set(range(len(value)))):
            yield from places(value[k], (*here, k))


def _parsed(path: Path) -> object:
    text = path.read_text(encoding="utf-8")
    return json.loads(text) if path.suffix == ".json" else yaml.safe_load(text)


def _written(path: Path, document: object) -> None:
    if path.suffix == ".json":
        text = json.dumps(document, ensure_ascii=False)
    else:
        text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=200)
    path.write_text(text, encoding="utf-8")


def _parent(document: object, place: Path_) -> object:
    for step in place[:-1]:
        document = document[step]
    return document


def _set(place: Path_, value: object) -> Callable[[Path], None]:
    def apply(path: Path) -> None:
        document = _parsed(path)
        _parent(document, place)[place[-1]] = value
        _written(path, document)

    return apply


def _without(place: Path_) -> Callable[[Path], None]:
    def apply(path: Path) -> None:
        document = _parsed(path)
        del _parent(document, place)[place[-1]]
        _written(path, document)

    return apply


def _renamed(place: Path_, name: str) -> Callable[[Path], None]:
    def apply(path: Path) -> None:
        document = _parsed(path)
        parent = _parent(document, place)
        parent[name] = parent.pop(place[-1])
        _written(path, document)

    return apply


def field_damages(path: Path) -> Iterator[Damage]:
    """Every entry of a right file, replaced by every awkward value, left out, or under another key."""
    values = {**OTHERS, **NUMBERS, **{f"text: {name}": text for name, text in HOSTILE_TEXTS.items()}}
    for place in places(_parsed(path)):
        where = ".".join(map(str, place))
        for name, value in values.items():
            kind = "hostile text in a field" if name.startswith("text") else "wrong value in a field"
            yield Damage(kind=kind, name=f"{where} = {name}", apply=_set(place, value))
        yield Damage(kind="missing field", name=where, apply=_without(place))
        if isinstance(place[-1], str):
            hostile = HOSTILE_TEXTS["script"] + HOSTILE_TEXTS["escape codes"]
            yield Damage(kind="unknown key", name=where, apply=_renamed(place, hostile))

"""YAML written so that every reader, of YAML 1.1 or 1.2, reads back the same values."""

import re
from collections.abc import Iterable, Mapping

import yaml

__all__ = ["yaml_text"]

# Text that a 1.2 reader would take for a number or nothing, beyond what PyYAML's 1.1 rules already quote.
_AMBIGUOUS = re.compile(r"[-+]?\.?[0-9].*|[-+]?\.(?:inf|nan)|y|n", re.IGNORECASE | re.DOTALL)


class _Dumper(yaml.SafeDumper):
    """Rows on one line, keys in the order given, no aliases, floats with all their digits."""

    def ignore_aliases(self, data: object) -> bool:
        """Write equal objects out each time."""
        return True

    def represent_sequence(
        self, tag: str, sequence: Iterable[object], flow_style: bool | None = None
    ) -> yaml.SequenceNode:
        """Put a list of plain values on one line, and a list of lists one row a line."""
        node = super().represent_sequence(tag, sequence, flow_style)
        node.flow_style = all(isinstance(item, yaml.ScalarNode) for item in node.value)
        return node

    def represent_text(self, text: str) -> yaml.ScalarNode:
        """Quote what another reader might take for a number, and escape what is no plain line of text."""
        style = '"' if _AMBIGUOUS.fullmatch(text) or not text.isprintable() else None
        return self.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _Dumper.represent_text)


def yaml_text(content: Mapping[str, object], *, heading: str) -> str:
    """Write a mapping as YAML.

    Parameters
    ----------
    content : mapping
        Of text, numbers, booleans, None, lists and mappings.
    heading : str
        One line that says what the file is; written as a comment.

    Returns
    -------
    str
        Numbers keep full precision: reading gives back the same float64 values.

    Raises
    ------
    ValueError
        When a value is not one of these.
    """
    try:
        body = yaml.dump(
            dict(content),
            Dumper=_Dumper,
            sort_keys=False,
            width=float("inf"),
            allow_unicode=True,
            default_flow_style=False,
        )
    except yaml.YAMLError as error:
        raise ValueError(f"cannot be written as YAML: {error}") from error
    return f"# {heading}\n{body}"

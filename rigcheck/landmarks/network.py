"""The carried networks, run: named tensors in, named tensors out, one thread each."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from tempfile import TemporaryFile
from threading import Lock
from typing import Any

import numpy as np
from ai_edge_litert.interpreter import Interpreter
from numpy.typing import NDArray

from rigcheck.errors import DependencyError
from rigcheck.landmarks.models import model_bytes

__all__ = ["Float32Array", "Network", "load_network"]

Float32Array = NDArray[np.float32]

_HINT = "install the library again: python -m pip install --force-reinstall --no-deps ai-edge-litert"
_GREETING = b"INFO: Created TensorFlow Lite XNNPACK delegate"
_STDERR = 2
_redirecting = Lock()


class Network:
    """One network with named inputs and outputs of known size.

    Parameters
    ----------
    runner
        The library's interpreter, its tensors allocated.
    outputs : dict
        Count of numbers of each output, by name.
    name : str
        The file's, for messages.

    Raises
    ------
    DependencyError
        When outputs are missing or of another size than this network has.

    Notes
    -----
    Not thread-safe: the activations are kept in the network itself. Each thread loads its own; running lets go of
    Python's lock, so that two threads take two cores.
    """

    def __init__(self, runner: Any, outputs: dict[str, int], *, name: str) -> None:  # noqa: ANN401 - no types there
        self._runner = runner
        self._inputs = {each["name"]: int(each["index"]) for each in runner.get_input_details()}
        found = {each["name"]: each for each in runner.get_output_details()}
        sizes = {key: int(np.prod(found[key]["shape"])) for key in outputs if key in found}
        if sizes != outputs:
            raise DependencyError(
                f"{name}: outputs of {list(sizes.values())} numbers found, {list(outputs.values())} needed.",
                hint=_HINT,
            )
        self._outputs = {key: int(found[key]["index"]) for key in outputs}

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the inputs."""
        return tuple(self._inputs)

    def run(self, inputs: dict[str, Float32Array]) -> dict[str, Float32Array]:
        """Run on inputs by name, each (1, height, width, channels) float32; returns copies by name, laid out alike."""
        for key, values in inputs.items():
            self._runner.set_tensor(self._inputs[key], values)
        self._runner.invoke()
        return {key: self._runner.get_tensor(index) for key, index in self._outputs.items()}


def load_network(name: str, *, outputs: dict[str, int]) -> Network:
    """Load a carried network and try it once.

    Parameters
    ----------
    name : str
        File name in the package's data.
    outputs : dict
        Count of numbers of each output, by name.

    Raises
    ------
    DependencyError
        When the file is not the one packed, or the installed library cannot run it whole.
    """
    content = model_bytes(name)
    try:
        with _without_greeting():
            runner = Interpreter(model_content=content, num_threads=1)
            runner.allocate_tensors()
            runner.invoke()
    except (ValueError, RuntimeError) as error:
        raise DependencyError(f"{name}: cannot be run ({error}).", hint=_HINT) from error
    return Network(runner, outputs, name=name)


@contextmanager
def _without_greeting() -> Iterator[None]:
    """Keep what the library says on starting off the terminal; all else said meanwhile is passed on."""
    with _redirecting, TemporaryFile() as aside:
        try:
            kept = os.dup(_STDERR)
        except OSError:  # started without a terminal
            yield
            return
        os.dup2(aside.fileno(), _STDERR)
        try:
            yield
        finally:
            os.dup2(kept, _STDERR)
            os.close(kept)
            aside.seek(0)
            said = b"".join(line for line in aside if not line.startswith(_GREETING))
            if said:
                os.write(_STDERR, said)

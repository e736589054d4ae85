"""How old a picture is when a browser shows it, and what serving it costs.

``bench_live_page.py [--seconds S] [--real SOURCE1 SOURCE2]``. Each picture carries, in black and white cells, the wall
clock's milliseconds at which it was made. Chromium draws the page; at each of its frames the cells are read back from
the canvas and compared with the wall clock then: from engine to canvas, by a clock that the page's own numbers do not
use. Beside it stands what the page says of itself. With `--real` two sources (devices, files) run through the real
engine, and only the page's own numbers are there. Processor time is of this process.
"""

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from live.fake_engine import CELL_PX, TIME_BITS, FakeEngine

from rigcheck.live.web_serving import LiveServer

READ = """([cell, bits, seconds]) => new Promise((done) => {
  const small = new OffscreenCanvas(bits, 1).getContext('2d', { willReadFrequently: true });
  const ages = [], times = []; const end = performance.now() + 1000 * seconds; let last = -1;
  const look = () => {
    const canvas = document.querySelector('.picture canvas');
    small.imageSmoothingEnabled = false;
    small.drawImage(canvas, 0, canvas.height - cell, cell * bits, cell, 0, 0, bits, 1);
    const row = small.getImageData(0, 0, bits, 1).data;
    let stamp = 0;
    for (let i = 0; i < bits; i += 1) if (row[4 * i] > 127) stamp += 2 ** i;
    if (stamp !== last) { last = stamp; times.push(performance.now());
      ages.push(((Date.now() % 2 ** bits) - stamp + 2 ** bits) % 2 ** bits); }
    if (performance.now() < end) requestAnimationFrame(look); else done(ages);
  };
  requestAnimationFrame(look);
})"""


def tell(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rate", type=float, default=30.0)
    parser.add_argument("--real", nargs=2, metavar=("SOURCE1", "SOURCE2"))
    given = parser.parse_args()
    with ExitStack() as stack:
        out = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        if given.real:
            from rigcheck.live.engine import LiveEngine
            from rigcheck.live.options import LiveOptions

            engine = stack.enter_context(
                LiveEngine(LiveOptions(sources=tuple(given.real), out=out / "o", loop=True))
            )
        else:
            engine = stack.enter_context(FakeEngine(rate=given.rate, size_px=(540, 720), out=out))
        server = stack.enter_context(LiveServer(engine, port=0, out=out, say=lambda line: None))
        playwright = stack.enter_context(sync_playwright())
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(server.addresses[0])
        time.sleep(4.0)
        used = time.process_time()
        if given.real:
            time.sleep(given.seconds)
        else:
            ages = page.evaluate(READ, [CELL_PX, TIME_BITS, given.seconds])
            cuts = statistics.quantiles(ages, n=20)
            tell(
                f"read back: {len(ages)} pictures of camera 1, median {statistics.median(ages):.0f} ms, "
                f"5 % {cuts[0]:.0f}, 95 % {cuts[-1]:.0f}, most {max(ages):.0f} ms"
            )
        tell(f"processor of this process: {time.process_time() - used:.1f} s in {given.seconds:.0f} s")
        tell("the page says:", page.inner_text("#line"), "|", *page.locator("figcaption").all_inner_texts())
        browser.close()


if __name__ == "__main__":
    main()

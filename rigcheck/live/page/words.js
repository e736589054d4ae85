// What is said: the three answers, the next move, the board, what is kept.

export const STATUS = {
  pass: "Pass ✓", caution: "Caution !", fail: "Fail ✗", inconclusive: "Not decided ?",
};
// As in rigcheck itself: an answer older than this says nothing of now.
const WITHDRAWN_S = 8;
const TITLES = { framing: "Framing", focus: "Focus", light: "Light" };

/** A number with as many decimals as its sigma deserves; a share of something in per cent. */
export function reading({ number, sigma, unit }) {
  if (number === null || (!sigma && !unit)) return "";
  if (unit.startsWith("of ")) return reading({ number: 100 * number, sigma: 100 * sigma, unit: `% ${unit}` });
  const decimals = sigma ? Math.min(2, Math.max(0, -Math.floor(Math.log10(sigma)))) : 1;
  const told = number.toFixed(decimals).replace(/^-(?=0\.?0*$)/, "").replace("-", "−");
  return `${told}${sigma ? ` ± ${sigma.toFixed(decimals)}` : ""}${unit ? ` ${unit}` : ""}`;
}

/** The one move to make first: a failure before all else, then framing before focus before light. */
export function next(state, connected) {
  if (!connected) return { what: "No connection", move: "Waiting for rigcheck. It tries again by itself.", rest: true };
  const ill = state.sources.filter((each) => each.state !== "running");
  if (ill.length > 0 && ill.length === state.sources.length) return { what: "Cameras", move: ill[0].sentence, rest: false };
  if (state.mode === "board") return nextOfBoard(state.board);
  const old = state.answers.find((each) => each.old_s !== null);
  if (old) return { what: "Waiting", move: old.move, rest: true };
  const asking = state.answers.filter((each) => each.status !== "pass" && each.move);
  const answer = asking.find((each) => each.status === "fail") ?? asking[0];
  if (answer) {
    return { what: `Next: ${TITLES[answer.subject].toLowerCase()}, ${answer.code}`.replace(/, $/, ""), move: answer.move, rest: false };
  }
  if (state.answers.length > 0 && state.answers.every((each) => each.status === "pass")) {
    return { what: "Next", move: "Nothing to move: keep this moment.", rest: true };
  }
  const blind = state.cameras.find((each) => !each.face && each.sentence);
  return { what: "Next", move: blind ? blind.sentence : "Measuring.", rest: true };
}

function nextOfBoard(board) {
  if (!board) return { what: "Board", move: "Hold the board where the face will be.", rest: true };
  if (board.enough) return { what: "Board", move: "Enough: calibrate.", rest: false };
  return { what: "Next: board", move: board.wanted_sentence || board.sentence, rest: false };
}

/** Writes text into an element only when it changed, as large as its box allows; units stay with their numbers. */
export function put(element, words) {
  const text = words.replace(/(\d) (?=(mm|px|s|ms|°|%)(?![a-z]))/g, "$1\u00a0");
  if (element.textContent === text) return;
  element.textContent = text;
  fit(element);
}

export function fit(element) {
  const { most, least } = element.dataset;
  if (!most) return;
  let [low, high] = [Number(least), Number(most)];
  const fits = (size) => {
    element.style.fontSize = `${size}px`;
    return element.scrollHeight <= element.clientHeight + 1 && element.scrollWidth <= element.clientWidth;
  };
  if (fits(high)) return;
  while (high - low > 1) {
    const middle = (low + high) / 2;
    if (fits(middle)) low = middle; else high = middle;
  }
  fits(low);
}

export class AnswerCard {
  constructor(subject) {
    this.article = document.getElementById(subject);
    const title = document.createElement("h2");
    const name = document.createElement("b");
    name.id = `${subject}-what`;
    name.textContent = TITLES[subject];
    this.status = document.createElement("span");
    this.reading = document.createElement("small");
    this.reading.className = "reading";
    title.append(name, this.reading, this.status);
    this.headline = document.createElement("p");
    this.headline.className = "headline";
    this.headline.dataset.most = 76;
    this.headline.dataset.least = 26;
    this.move = document.createElement("p");
    this.move.className = "hand";
    this.move.dataset.most = 20;
    this.move.dataset.least = 12;
    this.also = document.createElement("p");
    this.also.className = "also";
    this.article.append(title, this.headline, this.move, this.also);
  }

  /** `said` is the move that stands above all three already. */
  show(answer, said) {
    const old = answer.old_s !== null;
    this.article.className = old ? "old" : answer.status;
    put(this.move, answer.move === said ? "" : answer.move);
    // What is withdrawn has no check that speaks.
    put(this.status, old && answer.code ? `${Math.round(answer.old_s)} s old` : STATUS[answer.status]);
    put(this.reading, reading(answer));
    put(this.also, also(answer.also));
    put(this.headline, answer.headline);
  }
}

/** Answers as they may be shown so many seconds after the connection broke: none of what they said, in the end. */
export function silent(answers, seconds) {
  if (seconds <= WITHDRAWN_S) return answers;
  return answers.map(({ subject }) => ({
    subject, status: "inconclusive", headline: "Not known now", move: "", number: null, sigma: null, unit: "", code: "", also: [], old_s: seconds,
  }));
}

/** What else is wrong, beside the headline. */
function also(headlines) {
  if (headlines.length === 0) return "";
  const [first, second, ...more] = headlines.map((each) => each.toLowerCase());
  return `Also: ${[first, second].filter(Boolean).join(", ")}${more.length ? `, and ${more.length} more` : ""}`;
}

/** What the page says about keeping, and where. */
export function keepingLine(state, out) {
  if (state.keeping) return state.keeping;
  const n = state.kept.length;
  return n > 0 ? `No pictures are being kept now. Kept before: ${n}, in ${out}` : `No pictures are being kept. Moments that you keep go to ${out}`;
}

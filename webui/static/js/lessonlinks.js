// SPDX-License-Identifier: MIT
// The chain's boxes: which link has its turn, what each took, and what was not measured.

/** Fill `list` with a box for each link. */
export function buildLinks(list, links, absent = "not measured", revealed = false) {
  list.replaceChildren(...links.map((link) => {
    const item = document.createElement("li");
    item.dataset.link = link.name;
    item.className = link.together ? "together" : link.measured ? "" : "unmeasured";
    if (link.links?.length > 1) item.classList.add(`span-${link.links.length}`);
    for (const [name, words] of [["name", link.name], ["took", ""], ["happens", link.happens], ["turn", ""]]) {
      const part = document.createElement("span");
      part.className = name;
      part.textContent = words;
      item.append(part);
    }
    took(item, link, absent, revealed);
    return item;
  }));
}

function took(item, link, absent, revealed) {
  const part = item.querySelector(".took");
  if (!link.measured) { part.textContent = absent; return; }
  if (!revealed) { part.textContent = "?"; return; }
  const unit = document.createElement("small");
  unit.textContent = ` ms${sure(link)}`;
  part.replaceChildren(link.took_ms.toFixed(1), unit);
}

function sure(one) {
  return one.u95_ms === null || one.u95_ms === undefined ? "" : ` ± ${one.u95_ms.toFixed(1)}`;
}

/** The chain's boxes: one for each measured link, and one for links that share one time. */
export function boxesOf(data) {
  const boxes = [];
  for (const link of data.links) {
    const part = link.measured ? null : data.together.find((one) => one.links.includes(link.name));
    if (!part) boxes.push({ ...link, links: [link.name] });
    else if (part.links[0] === link.name) {
      boxes.push({
        ...part, name: part.links.join(" + "), measured: part.took_ms !== null, together: true,
        happens: part.took_ms === null ? "not measured in this stroke" : "cannot be told apart here",
      });
    }
  }
  return boxes;
}

/** Highlight the box that is active at `at`; returns what happens now, in words. */
export function lightLinks(list, boxes, settled, at, revealed) {
  let now = revealed && at < 0 ? "Before the command" : "";
  boxes.forEach((box, i) => {
    const item = list.children[i];
    const [from, to] = [box.from_ms, box.to_ms ?? Infinity];
    const known = revealed && from !== null && from !== undefined;
    const turn = known && at >= from && at < to;
    const done = known && at >= to;
    item.classList.toggle("now", turn);
    item.classList.toggle("done", done);
    const words = turn ? (box.together ? "▶ one of these now" : "▶ now") : done ? "✓ done" : "";
    const label = item.querySelector(".turn");
    if (label.textContent !== words) label.textContent = words;
    took(item, box, "not measured", revealed);
    if (turn) now = box.together ? `${listed(box.links)}: one of these, not told apart` : `${box.name}: ${box.happens}`;
  });
  if (!now && revealed && settled !== null && at >= settled) now = "The switch has settled.";
  return now;
}

function listed(names) {
  return names.join(", ").replace(/, ([^,]*)$/, " and $1");
}

/** Candidates for the slowest: every box that has a time. */
export function choices(data) {
  return boxesOf(data).filter((box) => box.measured);
}

/** The longest box first, with those shorter by no more than both uncertainties: their sum, which is
    never too narrow for neighbours, whose common end moves both. */
function longest(data) {
  const [first, ...rest] = choices(data).sort((a, b) => b.took_ms - a.took_ms);
  if (!first) return [];
  return [first, ...rest.filter((one) => first.took_ms - one.took_ms <= (first.u95_ms ?? 0) + (one.u95_ms ?? 0))];
}

/** The right answers: how long from the coil's edge (null: never settled), and which may be the longest. */
export function measuredAnswer(data) {
  return {
    ms: data.settled_ms === null ? null : data.settled_ms - data.reference_ms,
    parts: longest(data).map((one) => one.name),
  };
}

/** Note on links that share one time. */
export function togetherWords(data, revealed) {
  return data.together.map((part) => {
    const names = listed(part.links);
    if (part.took_ms === null) return `${names}: not measured in this stroke.`;
    return revealed
      ? `${names} together: ${part.took_ms.toFixed(1)} ms${sure(part)}. What was measured here cannot tell them apart.`
      : `${names}: not told apart here.`;
  }).join(" ");
}

/** The answer beside the guess: `typed` ms as text, `picked` a link's name. */
export function answerLines(data, typed, picked) {
  const lines = [];
  const { ms: took } = measuredAnswer(data);
  const edge = data.counts_from === "coil" ? "from the coil's edge" : "from the command (no read-back shows the coil)";
  if (took === null) {
    lines.push("In this stroke the switch gave no settled answer.");
  } else {
    lines.push(`It took ${took.toFixed(1)} ms ${edge}.` + (typed === ""
      ? "" : ` You said ${Number(typed).toFixed(1)} ms: ${Math.abs(Number(typed) - took).toFixed(1)} ms off.`));
  }
  const slowest = longest(data);
  if (slowest.length) {
    lines.push(`The longest: ${slowest.map((one) => `${one.name}, ${one.took_ms.toFixed(1)} ms`).join(", or ")}` +
      (slowest.length > 1 ? ": closer together than they are uncertain." : ".") +
      (picked ? (slowest.some((one) => one.name === picked) ? " You said so." : ` You said ${picked}.`) : ""));
  }
  return lines;
}

/** What the traces show, in numbers, for those who cannot see them. */
export function plotWords(data, boxes) {
  const ends = ({ from_ms: from, to_ms: to }) =>
    `from ${from.toFixed(1)} to ${to === null || to === undefined ? "the end" : to.toFixed(1)}`;
  const parts = boxes.map((box) => (
    box.from_ms === null || box.from_ms === undefined ? `${box.name} not measured`
      : `${box.name} ${ends(box)}`));
  const settled = data.settled_ms === null || data.settled_ms === undefined
    ? "the switch did not settle" : `the switch settled at ${data.settled_ms.toFixed(1)}`;
  return `Traces of stroke ${data.stroke}, going ${data.way}, in ms after the command: ${parts.join("; ")}; ${settled}.`;
}

// SPDX-License-Identifier: MIT
// The chain's boxes: which link has its turn, what each took, and what was not measured.

/** Fill `list` with a box for each link. */
export function buildLinks(list, links, absent = "not measured", revealed = false) {
  list.replaceChildren(...links.map((link) => {
    const item = document.createElement("li");
    item.dataset.link = link.name;
    item.className = link.measured ? "" : "unmeasured";
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
  const sure = document.createElement("small");
  sure.textContent = link.u95_ms === null || link.u95_ms === undefined ? " ms" : ` ms ± ${link.u95_ms.toFixed(1)}`;
  part.replaceChildren(link.took_ms.toFixed(1), sure);
}

/** Light the link whose turn it is at `at`; returns what happens now, in words. */
export function lightLinks(list, data, at, revealed) {
  let now = revealed && at < 0 ? "Before the command" : "";
  data.links.forEach((link, i) => {
    const item = list.children[i];
    const part = link.measured ? null : data.together.find((one) => one.links.includes(link.name));
    const [from, to] = part ? [part.from_ms, part.to_ms ?? Infinity] : [link.from_ms, link.to_ms];
    const known = revealed && from !== null && from !== undefined;
    const turn = known && at >= from && at < to;
    const done = known && at >= to;
    item.classList.toggle("now", turn);
    item.classList.toggle("done", done && link.measured);
    const words = turn ? (link.measured ? "▶ now" : "▶ one of these now") : done ? "✓ done" : "";
    const label = item.querySelector(".turn");
    if (label.textContent !== words) label.textContent = words;
    took(item, link, "not measured", revealed);
    if (turn && link.measured) now = `${link.name}: ${link.happens}`;
    if (turn && part) now = `${part.links.join(", ")}: one of these, not measured apart`;
  });
  if (!now && revealed && data.settled_ms !== null && at >= data.settled_ms) now = "The switch has settled.";
  return now;
}

/** What can be the slowest: each measured link, and links that have one time only together. */
export function choices(data) {
  const found = [];
  for (const link of data.links) {
    const part = data.together.find((one) => one.links.includes(link.name));
    if (link.measured) found.push({ name: link.name, took_ms: link.took_ms });
    else if (part && part.took_ms !== null && part.links[0] === link.name) {
      found.push({ name: part.links.join(" + "), took_ms: part.took_ms });
    }
  }
  return found;
}

function longest(data) {
  return choices(data).reduce((best, one) => (best && best.took_ms >= one.took_ms ? best : one), null);
}

/** What is to be said of links that were not measured apart. */
export function togetherWords(data, revealed) {
  return data.together.map((part) => {
    const names = part.links.join(", ").replace(/, ([^,]*)$/, " and $1");
    if (part.took_ms === null) return `${names}: not measured in this stroke.`;
    return revealed
      ? `${names} together: ${part.took_ms.toFixed(1)} ms. Nothing here measured them apart.`
      : `${names}: not measured apart.`;
  }).join(" ");
}

/** The answer beside what was guessed: `typed` ms as text, `picked` a link's name. */
export function answerLines(data, typed, picked) {
  const lines = [];
  const took = data.settled_ms === null ? null : data.settled_ms - data.reference_ms;
  const edge = data.counts_from === "coil" ? "from the coil's edge" : "from the command (no read-back shows the coil)";
  if (took === null) {
    lines.push("In this stroke the switch gave no settled answer.");
  } else {
    lines.push(`It took ${took.toFixed(1)} ms ${edge}.` + (typed === ""
      ? "" : ` You said ${Number(typed).toFixed(1)} ms: ${Math.abs(Number(typed) - took).toFixed(1)} ms off.`));
  }
  const slowest = longest(data);
  if (slowest) {
    lines.push(`The longest: ${slowest.name}, ${slowest.took_ms.toFixed(1)} ms.` +
      (picked ? (picked === slowest.name ? " You said so." : ` You said ${picked}.`) : ""));
  }
  return lines;
}

// SPDX-License-Identifier: MIT
// Says that a file is being made, for how long already, and when the browser has it: the answer of the
// rig carries the name of the asking in a cookie.
const LOOK_MS = 500;
const said = document.getElementById("making");
let looking = null;

function end(words) {
  clearInterval(looking);
  looking = null;
  if (said) said.textContent = words;
}

function begin(what, name) {
  const since = performance.now();
  const word = () => {
    const seconds = Math.floor((performance.now() - since) / 1000);
    if (document.cookie.split("; ").includes(`made=${name}`)) {
      end(`Made: ${what}. The browser has it among its downloads.`);
    } else {
      said.textContent = `Making ${what}${seconds > 1 ? `: ${seconds} s so far` : ""}. Stay on this page.`;
    }
  };
  end("");
  looking = setInterval(word, LOOK_MS);
  word();
}

if (said) {
  document.addEventListener("click", (event) => {
    const asks = event.target.closest("[data-making]");
    if (!asks) return;
    if (looking) return event.preventDefault();  // one at a time
    const name = `${Date.now().toString(36)}`;
    if (asks.form) {
      const field = asks.form.elements.made ?? asks.form.appendChild(document.createElement("input"));
      Object.assign(field, { type: "hidden", name: "made", value: name });
    } else {
      const to = new URL(asks.href);
      to.searchParams.set("made", name);
      asks.href = to.href;
    }
    begin(asks.dataset.making, name);
  });
  addEventListener("pageshow", () => end(""));  // back from the page of a refusal
}

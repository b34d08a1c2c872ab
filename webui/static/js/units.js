// SPDX-License-Identifier: MIT
// The reader's own units. JSON carries kPa and degC; what is drawn or written for a person passes
// through here. The same rules as rig/core/reader_units.py.

/** By unit of the program: the reader's unit, how many of it make one, what it shows at 0, digits more. */
const TABLE = JSON.parse(document.body.dataset.units ?? "{}");
const FAR = 0.05;
const NUMBER = "[+-]?(?:\\d+\\.?\\d*|\\.\\d+)(?:[eE][+-]?\\d+)?";
const QUANTITY = new RegExp("(`[^`]*`|\"[^\"]*\")|(^|[^\\w.])(± ?|plus or minus )?" +
  `(${NUMBER})(?:( to | and | or )(${NUMBER}))?( ?)(kPa/s|kPa|degC|°C)(?![\\w/*^])`, "g");

/** The reader's unit in place of this one of the program. */
export function unit(si) {
  return TABLE[si]?.[0] ?? si;
}

/** A number given in `si`, in the reader's unit; null stays. */
export function value(number, si) {
  return number === null || !TABLE[si] ? number : number * TABLE[si][1] + TABLE[si][2];
}

/** The same for a difference. */
export function difference(number, si) {
  return number * (TABLE[si]?.[1] ?? 1);
}

/** Digits after the point that say as much as this many do in `si`. */
export function digits(si, number) {
  return Math.max(0, number + (TABLE[si]?.[3] ?? 0));
}

/** A sentence of the program: each number the shortest that says no more and no less. */
export function words(sentence) {
  return sentence.replace(QUANTITY, (all, kept, before, apart, first, link, second, gap, si) => {
    if (kept || unit(si) === si) return all;
    const rest = second === undefined ? "" : link + shortest(second, si, false);
    return before + (apart ?? "") + shortest(first, si, apart !== undefined) + rest + gap + unit(si);
  });
}

/** A live reading, "552 kPa": with the same number of digits each time. */
export function reading(shown) {
  const [number, si] = shown.split(" ");
  if (unit(si) === si) return shown;
  return `${fixed(value(Number(number), si), digits(si, (number.split(".")[1] ?? "").length))} ${unit(si)}`;
}

function shortest(text, si, apart) {
  const turn = apart ? difference : value;
  const [mantissa, exponent = "0"] = text.toLowerCase().split("e");
  const half = 0.5 * 10 ** (Number(exponent) - (mantissa.split(".")[1] ?? "").length);
  const [low, middle, high] = [-half, 0, half].map((more) => turn(Number(text) + more, si));
  let places = Math.min(0, -Math.floor(Math.log10(Math.max(Math.abs(low), Math.abs(high)))));
  let shown = fixed(middle, places);
  const far = () => Math.abs(Number(shown) - middle) > FAR * Math.abs(middle);
  while (Number(shown) < low || Number(shown) > high || far()) shown = fixed(middle, ++places);
  return text.startsWith("+") && Number(shown) > 0 ? `+${shown}` : shown;
}

function fixed(number, places) {
  const text = places >= 0 ? number.toFixed(places) : String(Math.round(number * 10 ** places) / 10 ** places);
  return Number(text) === 0 ? text.replace("-", "") : text;
}

/** An answer in JSON with every channel in it (a `unit` beside its `value`s) in the reader's units. */
export function inReaderUnits(answer) {
  if (Array.isArray(answer)) {
    if (answer.length && typeof answer[0] === "object" && !Array.isArray(answer[0])) answer.forEach(inReaderUnits);
  } else if (answer !== null && typeof answer === "object") {
    const si = answer.unit;
    if (TABLE[si] && (Array.isArray(answer.value) || answer.band)) {
      if (answer.value) answer.value = answer.value.map((one) => value(one, si));
      if (answer.band) answer.band = answer.band.map((row) => row.map((one) => value(one, si)));
      answer.unit = unit(si);
    }
    Object.values(answer).forEach(inReaderUnits);
  }
  return answer;
}

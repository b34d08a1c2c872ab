// SPDX-License-Identifier: MIT
// Live snapshots: a stream of events where the rig has a place for one, else a question twice a second.

const ASK_MS = 500;
const TRY_AGAIN_MS = 15000;

/** Call `take(snapshot)` for each snapshot. Ends with the page. */
export function feed(eventsAddress, askAddress, take) {
  let source = null;
  let asking = null;

  function ask() {
    asking = setTimeout(async () => {
      try {
        const answer = await fetch(askAddress, { headers: { Accept: "application/json" } });
        if (answer.ok) take(await answer.json());
      } catch { /* the page strikes out what is old */ }
      if (asking !== null) ask();
    }, ASK_MS);
  }

  function listen() {
    source = new EventSource(eventsAddress);
    source.onmessage = (event) => {
      if (asking !== null) {
        clearTimeout(asking);
        asking = null;
      }
      take(JSON.parse(event.data));
    };
    source.onerror = () => {
      // no stream free, or the rig is gone: poll meanwhile, and try the stream again later
      source.close();
      if (asking === null) ask();
      setTimeout(listen, TRY_AGAIN_MS);
    };
  }

  listen();
  addEventListener("pagehide", () => {
    if (source) source.close();
    if (asking !== null) clearTimeout(asking);
    asking = null;
  });
}

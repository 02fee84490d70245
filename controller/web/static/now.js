"use strict";
// Renews the live part of the first page, and says so when the chamber's computer does not answer.
(function () {
  const live = document.getElementById("live");
  const lost = document.getElementById("lost");
  const EVERY_MS = 5000;
  let failures = 0;

  function trips(node) {
    const found = node.querySelector("[data-trips]");
    return found ? found.dataset.trips : "";
  }

  async function renew() {
    try {
      const answer = await fetch("now/part", { cache: "no-store", signal: AbortSignal.timeout(8000) });
      if (!answer.ok) throw new Error(String(answer.status));
      const text = await answer.text();
      const fresh = new DOMParser().parseFromString(text, "text/html").body;
      if (trips(fresh) !== trips(live)) {
        window.location.reload();
        return;
      }
      const focused = document.activeElement;
      const address = live.contains(focused) ? focused.getAttribute("href") : null;
      live.replaceChildren(...fresh.childNodes);
      if (address) live.querySelector('[href="' + CSS.escape(address) + '"]')?.focus();
      failures = 0;
    } catch (error) {
      failures += 1;
    }
    lost.hidden = failures < 2;
    live.classList.toggle("old", failures >= 2);
    window.setTimeout(renew, EVERY_MS);
  }

  window.setTimeout(renew, EVERY_MS);
})();

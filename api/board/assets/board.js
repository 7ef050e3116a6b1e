// Keeps the page fresh: when the server says that something changed, the page is asked for again and its live parts
// are put in place. Without this script the page is complete, only not fresh.
(() => {
  "use strict";
  const address = document.body.dataset.stream;
  if (!address || !window.EventSource) return;
  const state = document.getElementById("stream");
  let busy = false, again = false;

  const say = (text) => { if (state) { state.textContent = "· " + text; state.hidden = false; } };

  // Whoever is typing or has a part folded out keeps it.
  const occupied = (part) => part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea");

  const swap = (old, fresh) => {
    const open = [...old.querySelectorAll("details[open]")].map((d) => d.querySelector("summary").textContent);
    const scrolled = [...old.querySelectorAll(".scroll")].map((s) => s.scrollLeft);
    const focused = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    old.replaceChildren(...fresh.childNodes);
    old.querySelectorAll("details").forEach((d) => { if (open.includes(d.querySelector("summary").textContent)) d.open = true; });
    old.querySelectorAll(".scroll").forEach((s, i) => { if (scrolled[i]) s.scrollLeft = scrolled[i]; });
    if (focused) [...old.querySelectorAll("a")].find((a) => a.getAttribute("href") === focused)?.focus({ preventScroll: true });
  };

  const refresh = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (answer.redirected && new URL(answer.url).pathname === "/sign-in") { location.reload(); return; }
      if (!answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      document.querySelectorAll("[data-live]").forEach((old) => {
        const part = fresh.getElementById(old.id);
        if (part && !occupied(old)) swap(old, part);
      });
      document.documentElement.dataset.refreshed = String(Number(document.documentElement.dataset.refreshed || 0) + 1);
      say("up to date " + new Date().toLocaleTimeString());
    } catch {
      say("could not refresh; will try again");
    } finally {
      busy = false;
      if (again) { again = false; setTimeout(refresh, 1000); }
    }
  };

  let late;
  const stream = new EventSource(address);
  stream.addEventListener("open", () => { clearTimeout(late); say("live"); });
  stream.addEventListener("change", refresh);
  stream.addEventListener("error", () => {
    clearTimeout(late);
    late = setTimeout(() => say("connection lost; what you see may be old"), 5000);
  });
  addEventListener("pagehide", () => stream.close());
})();

// Lets a reader decide once the trace is drawn, by one key where keys are on.
"use strict";
(() => {
  const at = (id) => document.getElementById(id);
  const figure = document.querySelector("figure.trace"), decide = at("decide");
  const reject = at("reject"), why = at("reject-why"), keys = at("keys");
  const NAME = "quietsleep-keys";
  let sent = false, on = true;

  // A browser may forbid to remember: then keys are on at every page.
  const remembered = () => { try { return localStorage.getItem(NAME); } catch { return null; } };
  const remember = (word) => { try { localStorage.setItem(NAME, word); } catch { /* not kept */ } };

  const show = (wanted) => {
    reject.hidden = !wanted;
    why.setAttribute("aria-expanded", String(wanted));
    if (wanted) (reject.querySelector("input:checked") || reject.querySelector("input[type=radio]")).focus();
    else why.focus();
  };
  const ready = () => {
    if (figure.dataset.drawn && decide.hidden) decide.hidden = false;
  };
  new MutationObserver(ready).observe(figure, { attributes: true });
  ready();

  const turn = (wanted) => {
    on = wanted;
    keys.textContent = "Single keys: " + (on ? "on" : "off");
    document.body.classList.toggle("no-keys", !on);
  };
  keys.hidden = false;
  turn(remembered() !== "off");
  keys.addEventListener("click", () => { turn(!on); remember(on ? "on" : "off"); });

  why.addEventListener("click", () => show(reject.hidden));
  at("reject-not").addEventListener("click", () => show(false));
  // What is sent twice would be told as an error; a page that comes back may be sent again.
  for (const form of decide.querySelectorAll("form")) {
    form.addEventListener("submit", (event) => {
      if (sent) event.preventDefault();
      sent = true;
    });
  }
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

  const own = (name) => reject.hidden ? null : reject.querySelector(`[data-key="${name}"]`);
  const does = {
    a: () => at("accept-now").click(),
    r: () => show(true),
    n: () => at("go-on")?.click(),
    b: () => at("go-back")?.click(),
  };
  addEventListener("keydown", (event) => {
    if (event.key === "Escape" && !reject.hidden) return show(false);
    const writes = event.target.matches?.("input:not([type=radio]), textarea, select");
    // A key that is held down must not decide on the trial that comes next.
    if (!on || writes || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    const name = event.key.toLowerCase(), reason = own(name);
    if (reason) { reason.checked = true; reason.focus(); event.preventDefault(); return; }
    if (!(name in does) || sent || ("ar".includes(name) && decide.hidden)) return;
    event.preventDefault();
    does[name]();
  });
})();

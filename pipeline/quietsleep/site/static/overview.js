// Searches a list: keeps the entries that hold every word, and says how many.
// The page is whole without this script; nothing is fetched.
"use strict";
(() => {
  const form = document.querySelector("form.find");
  if (!form) return;
  const input = form.querySelector("input");
  const status = form.querySelector("[role=status]");
  const whole = status.textContent;
  const place = form.parentElement;
  const entries = [...place.querySelectorAll(".kind-of li, .ranked")].map((entry) => {
    const group = entry.closest(".kind-of");
    const text = entry.textContent + " " + (group ? group.querySelector("h3").textContent : "");
    return { entry, group, text: text.toLowerCase() };
  });
  const groups = [...place.querySelectorAll(".kind-of")];

  const apply = () => {
    const wanted = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    let n = 0;
    for (const { entry, text } of entries) {
      entry.hidden = !wanted.every((word) => text.includes(word));
      if (!entry.hidden) n += 1;
    }
    for (const group of groups) group.hidden = !group.querySelector("li:not([hidden])");
    for (const rest of place.querySelectorAll("details.rest")) {
      if (wanted.length) rest.open = Boolean(rest.querySelector(".ranked:not([hidden])"));
    }
    status.textContent = wanted.length ? n + " of " + whole + " shown" : whole;
  };
  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  input.addEventListener("input", apply);

  // A link to an entry that is folded away opens what holds it.
  const openNamed = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const rest = target && target.closest("details.rest");
    if (rest && !rest.open) {
      rest.open = true;
      target.scrollIntoView();
    }
  };
  addEventListener("hashchange", openNamed);
  openNamed();
})();

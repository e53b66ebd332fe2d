// Filters and sorts lists of tests, opens the trial that a link names, and copies links.
// The page is whole without this script; nothing is fetched.
"use strict";
(() => {
  const form = document.querySelector("form.filters");
  const table = document.querySelector("table.list");
  if (form && table) {
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => ({ row, keys: new Set(row.dataset.k.split(" ")) }));
    const selects = [...form.querySelectorAll("select")];
    const shown = document.querySelector(".shown");
    const said = (n) => n === 1 ? "1 test" : n + " tests";

    const apply = () => {
      const wanted = selects.map((s) => s.value).filter(Boolean);
      let n = 0;
      for (const { row, keys } of rows) {
        const fits = wanted.every((key) => keys.has(key));
        row.hidden = !fits;
        if (fits) n += 1;
      }
      shown.textContent = wanted.length ? said(n) + " of " + rows.length + " shown" : said(rows.length);
    };
    const remember = () => {
      const given = new URLSearchParams();
      for (const s of selects) {
        if (s.value) given.set(s.name, s.selectedOptions[0].dataset.link);
      }
      const text = given.toString();
      history.replaceState(null, "", text ? "#" + text : "#tests");
    };
    const recall = () => {
      const given = new URLSearchParams(location.hash.slice(1));
      for (const s of selects) {
        const option = [...s.options].find((o) => o.dataset.link === given.get(s.name));
        if (given.has(s.name) && option) s.value = option.value;
      }
      apply();
      if (selects.some((s) => s.value)) form.scrollIntoView();
    };
    form.hidden = false;
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("change", () => { apply(); remember(); });
    form.addEventListener("reset", () => setTimeout(() => { apply(); remember(); }));
    addEventListener("hashchange", recall);
    recall();

    [...table.tHead.rows[0].cells].forEach((cell, i) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...cell.childNodes);
      cell.append(button);
      button.addEventListener("click", () => {
        const down = cell.getAttribute("aria-sort") === "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        cell.setAttribute("aria-sort", down ? "descending" : "ascending");
        const key = ({ row }) => row.cells[i].dataset.v || row.cells[i].textContent;
        rows.sort((a, b) => key(a).localeCompare(key(b), "en", { numeric: true }) * (down ? -1 : 1));
        body.append(...rows.map(({ row }) => row));
      });
    });
  }

  const openNamed = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.matches("details")) {
      target.open = true;
      target.scrollIntoView();
    }
  };
  addEventListener("hashchange", openNamed);
  openNamed();

  const send = document.querySelector(".send");
  if (send) {
    const input = send.querySelector("input");
    const status = send.querySelector("[role=status]");
    input.value = location.href.split("#")[0];
    send.hidden = false;
    send.querySelector("button").addEventListener("click", async () => {
      input.select();
      try {
        await navigator.clipboard.writeText(input.value);
        status.textContent = "Copied.";
      } catch {
        status.textContent = "Selected; press Ctrl+C.";
      }
    });
  }

  const openForPrint = () => {
    for (const details of document.querySelectorAll("details.trial, .band details")) details.open = true;
  };
  addEventListener("beforeprint", openForPrint);
})();

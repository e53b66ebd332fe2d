// Searches, filters, sorts and turns over lists, saves what is shown, opens what a link names, and
// copies links. Every page is whole without this script; nothing is fetched: the rows of a list stand
// in a script of their own, which only puts them there.
"use strict";
(() => {
  const ON_A_PAGE = 50;
  const order = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

  const textOf = (kind, cell, signs) => {
    if (kind === "link" || kind === "day") return cell[0];
    return kind === "sign" ? cell.map((at) => signs[at][1]).join("; ") : cell;
  };
  const element = (name, css, text) => {
    const made = document.createElement(name);
    if (css) made.className = css;
    if (text !== undefined) made.textContent = text;
    return made;
  };

  class Listing {
    constructor(place, given) {
      this.place = place;
      this.signs = given.signs;
      this.table = place.querySelector("table.list");
      this.heads = [...this.table.tHead.rows[0].cells];
      this.kinds = this.heads.map((head) => head.dataset.kind);
      this.titles = this.heads.map((head) => head.textContent);
      this.form = place.querySelector("form.filters");
      this.search = this.form.querySelector("input[name=q]");
      this.selects = [...this.form.querySelectorAll("select")];
      this.shown = place.querySelector(".shown");
      this.pager = place.querySelector(".pager");
      this.pages = this.pager.querySelector("select");
      const only = place.dataset.only;
      this.rows = given.rows
        .map(([tokens, more, ...cells]) => ({ keys: new Set(tokens.split(" ")), more, cells }))
        .filter((row) => !only || row.keys.has(only));
      this.sort = -1;
      this.down = false;
      this.page = 0;
      this.sortable();
      this.listen();
      this.recall();
    }

    said(n) {
      return n === 1 ? "1 " + this.place.dataset.one : n + " " + this.place.dataset.many;
    }

    wordsOf(row) {
      row.words ??= [row.more, ...row.cells.map((cell, i) => textOf(this.kinds[i], cell, this.signs))]
        .join(" ").toLowerCase();
      return row.words;
    }

    fitting() {
      const wanted = this.selects.map((select) => select.value).filter(Boolean);
      const words = this.search.value.toLowerCase().split(/\s+/).filter(Boolean);
      const found = this.rows.filter((row) => wanted.every((key) => row.keys.has(key))
        && words.every((word) => this.wordsOf(row).includes(word)));
      if (this.sort >= 0) {
        const kind = this.kinds[this.sort];
        const key = (row) => kind === "day" ? row.cells[this.sort][1] : textOf(kind, row.cells[this.sort], this.signs);
        const turn = this.down ? -1 : 1;
        found.sort((a, b) => order.compare(key(a), key(b)) * turn);
      }
      return found;
    }

    show() {
      const found = this.fitting();
      const n = Math.max(1, Math.ceil(found.length / ON_A_PAGE));
      this.page = Math.min(this.page, n - 1);
      const first = this.page * ON_A_PAGE;
      const here = found.slice(first, first + ON_A_PAGE);
      this.table.tBodies[0].replaceChildren(...here.map((row) => this.line(row)));
      const narrowed = found.length < this.rows.length;
      const of = narrowed ? this.said(found.length) + " of " + this.rows.length : this.said(found.length);
      this.shown.textContent = found.length > here.length ? (first + 1) + " to " + (first + here.length) + " of " + of : of;
      this.turnable(n);
      this.heads.forEach((head, i) => {
        if (i === this.sort) head.setAttribute("aria-sort", this.down ? "descending" : "ascending");
        else head.removeAttribute("aria-sort");
      });
    }

    line(row) {
      const line = document.createElement("tr");
      row.cells.forEach((cell, i) => {
        const box = element(i ? "td" : "th", this.heads[i].className);
        if (!i) box.scope = "row";
        box.append(...this.parts(this.kinds[i], cell));
        line.append(box);
      });
      return line;
    }

    parts(kind, cell) {
      if (kind === "day") return [cell[0]];
      if (kind === "sign") {
        return cell.flatMap((at, i) => {
          const [shape, word, tone] = this.signs[at];
          const mark = element("span", "", shape);
          mark.setAttribute("aria-hidden", "true");
          const sign = element("span", tone);
          sign.append(mark, " " + word);
          return i ? [" ", sign] : [sign];
        });
      }
      const text = element("bdi", "", kind === "link" ? cell[0] : cell);
      if (kind !== "link" || !cell[1]) return [text];
      const link = element("a");
      link.href = this.place.dataset.root + cell[1];
      link.append(text);
      return [link];
    }

    turnable(n) {
      this.pager.hidden = n < 2;
      if (this.pages.options.length !== n) {
        this.pages.replaceChildren(...Array.from({ length: n }, (_, i) => new Option(i + 1, i)));
      }
      this.pages.value = this.page;
      this.pager.querySelector(".of").textContent = "of " + n;
      // Not disabled: a button that is would lose the focus of whoever turns pages by it.
      this.pager.querySelector(".back").setAttribute("aria-disabled", this.page === 0);
      this.pager.querySelector(".on").setAttribute("aria-disabled", this.page === n - 1);
    }

    turn(to) {
      if (to < 0 || to >= this.pages.options.length) return;
      this.page = to;
      this.show();
      this.remember();
    }

    remember() {
      const said = new URLSearchParams();
      if (this.search.value.trim()) said.set("q", this.search.value.trim());
      for (const select of this.selects) {
        if (select.value) said.set(select.name, select.selectedOptions[0].dataset.link);
      }
      if (this.sort >= 0) said.set("sort", (this.down ? "-" : "") + this.titles[this.sort]);
      if (this.page) said.set("page", this.page + 1);
      history.replaceState(null, "", "#" + (said.toString() || this.place.dataset.list));
    }

    recall() {
      const said = new URLSearchParams(location.hash.includes("=") ? location.hash.slice(1) : "");
      this.search.value = said.get("q") ?? "";
      for (const select of this.selects) {
        const option = [...select.options].find((each) => each.dataset.link === said.get(select.name));
        select.value = said.has(select.name) && option ? option.value : "";
      }
      const by = said.get("sort") ?? "";
      this.down = by.startsWith("-");
      this.sort = this.titles.indexOf(by.replace(/^-/, ""));
      this.page = Math.max(0, (Number.parseInt(said.get("page"), 10) || 1) - 1);
      this.show();
      if ([...said].length) this.form.scrollIntoView();
    }

    listen() {
      const anew = () => { this.page = 0; this.show(); this.remember(); };
      this.form.hidden = false;
      this.form.addEventListener("submit", (event) => event.preventDefault());
      this.form.addEventListener("input", anew);
      this.form.addEventListener("reset", () => setTimeout(() => { this.sort = -1; anew(); }));
      this.pages.addEventListener("change", () => this.turn(Number(this.pages.value)));
      this.pager.querySelector(".back").addEventListener("click", () => this.turn(this.page - 1));
      this.pager.querySelector(".on").addEventListener("click", () => this.turn(this.page + 1));
      const save = this.place.querySelector(".save button");
      save.hidden = false;
      save.addEventListener("click", () => this.save());
      addEventListener("hashchange", () => this.recall());
    }

    sortable() {
      this.heads.forEach((head, i) => {
        const button = element("button", "", head.textContent);
        button.type = "button";
        head.replaceChildren(button);
        button.addEventListener("click", () => {
          this.down = this.sort === i && !this.down;
          this.sort = i;
          this.page = 0;
          this.show();
          this.remember();
        });
      });
    }

    save() {
      // A spreadsheet runs a cell that begins so.
      const harmless = (text) => /^[=+\-@\t\r]/.test(text) ? "'" + text : text;
      const quoted = (text) => '"' + harmless(text).replaceAll('"', '""') + '"';
      const lines = this.fitting().map((row) => row.cells.map((cell, i) => textOf(this.kinds[i], cell, this.signs)));
      const text = [this.titles, ...lines].map((line) => line.map(quoted).join(",")).join("\r\n");
      const link = element("a");
      link.href = URL.createObjectURL(new Blob(["\ufeff" + text + "\r\n"], { type: "text/csv" }));
      link.download = this.place.dataset.list + ".csv";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    }
  }

  for (const place of document.querySelectorAll(".listing")) {
    const given = globalThis.quietsleepLists?.[place.dataset.list];
    if (given) new Listing(place, given);
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

  // On paper nothing can be opened; what was closed is closed again afterwards.
  let opened = [];
  addEventListener("beforeprint", () => {
    // The numbers below a chart say again what it draws; the page of a test has two sheets.
    const closed = document.querySelector(".test-lead") ? ".band details:not([open])" : "details:not([open])";
    opened = [...document.querySelectorAll(closed)].filter((each) => !each.closest(".charts"));
    for (const details of opened) details.open = true;
  });
  addEventListener("afterprint", () => {
    for (const details of opened) details.open = false;
    opened = [];
  });
})();

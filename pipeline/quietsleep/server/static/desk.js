// Sends dropped and chosen files in chunks, and goes on where the line broke. What is right or wrong
// with them is said by the check of the server, never here.
"use strict";
(() => {
  const drop = document.getElementById("drop");
  const form = document.getElementById("check-form");
  if (!drop || !form) return;
  const going = document.getElementById("going");
  const words = document.getElementById("going-words");
  const bar = document.getElementById("bar");
  const note = document.getElementById("going-note");
  const size = Number(drop.dataset.chunk);
  const head = { "x-form-token": drop.dataset.word };
  const mostTries = 8;
  let busy = false;
  drop.hidden = false;

  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const megabytes = (n) => (n / 1048576).toFixed(1) + " MB";

  // A sentence for people; `stops` where no other file could come either.
  class Refusal extends Error {
    constructor(sentence, stops = false) { super(sentence); this.stops = stops; }
  }
  const down = "The line is down. Choose the same files again to go on.";
  const old = "The page is too old: load it again, sign in if asked, and choose the files again.";

  // One request, tried again while the line is down.
  const ask = async (url, options) => {
    for (let tries = 1; ; tries += 1) {
      try {
        const answer = await fetch(url, { redirect: "manual", ...options });
        if (answer.status < 500 && answer.status !== 408 && answer.status !== 429) return answer;
        if (tries >= mostTries) throw new Error("answered " + answer.status);
      } catch (error) {
        if (tries >= mostTries) throw new Refusal(down, true);
      }
      words.textContent = "The line is down; trying again ...";
      await pause(Math.min(15000, 400 * 2 ** tries));
    }
  };

  const said = async (answer) => {
    let told = {};
    try { told = await answer.json(); } catch (error) { /* no words in it */ }
    if (told.refused) throw new Refusal(told.refused);
    if (!answer.ok && answer.status !== 409) throw new Refusal(old, true);
    return told;
  };

  const send = async (path, file, there, step) => {
    const known = there[path];
    let offset = known && known[1] === file.size && known[2] === file.lastModified ? known[0] : 0;
    step(offset);
    if (known && offset === file.size && known[2] === file.lastModified) return;
    for (;;) {
      const asked = new URLSearchParams({
        path, bytes: file.size, modified: file.lastModified, offset,
      });
      const body = await file.slice(offset, offset + size).arrayBuffer();
      const answer = await ask(drop.dataset.to + "?" + asked, { method: "PUT", headers: head, body });
      const { received } = await said(answer);
      step(received - offset);
      offset = received;
      if (offset >= file.size) return;
    }
  };

  const sendAll = async (chosen) => {
    if (busy || chosen.length === 0) return;
    busy = true;
    going.hidden = false;
    note.hidden = true;
    const total = chosen.reduce((sum, [, file]) => sum + file.size, 0);
    const refused = new Map();
    let sent = 0;
    try {
      const { files } = await said(await ask(drop.dataset.to));
      for (const [number, [path, file]] of chosen.entries()) {
        const before = sent;
        const step = (n) => {
          sent += n;
          bar.value = total ? sent / total : 1;
          words.textContent = "File " + (number + 1) + " of " + chosen.length + ", " + megabytes(sent) + " of " + megabytes(total);
        };
        try {
          await send(path, file, files, step);
        } catch (error) {
          // A file that the browser cannot read any more, or that may not come: the others go on.
          const why = error instanceof Refusal ? error.message : "A file could not be read. Choose it again.";
          refused.set(why, (refused.get(why) || 0) + 1);
          sent = before + file.size;
          if (error.stops) break;
        }
      }
    } catch (error) {
      refused.set(error instanceof Refusal ? error.message : "Something went wrong. Load the page again.", 1);
    }
    busy = false;
    if (refused.size) {
      note.textContent = [...refused].map(([why, n]) => (n > 1 ? n + " files: " : "") + why).join(" ");
      note.hidden = false;
      words.textContent = "Not all files came.";
      return;
    }
    bar.value = 1;
    words.textContent = "All files are here; the check begins.";
    form.requestSubmit();
  };

  const left = (path) => path.split("/").some((part) => part.startsWith(".") || part.startsWith("~$")
    || ["Thumbs.db", "desktop.ini", "__MACOSX"].includes(part));

  const take = (entries) => sendAll(entries.filter(([path]) => !left(path)));

  for (const id of ["files", "folder"]) {
    const input = document.getElementById(id);
    input.addEventListener("change", () => {
      take([...input.files].map((file) => [file.webkitRelativePath || file.name, file]));
    });
  }

  const walk = async (entry, before, found) => {
    if (entry.isFile) {
      found.push([before + entry.name, await new Promise((done, no) => entry.file(done, no))]);
      return;
    }
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((done, no) => reader.readEntries(done, no));
      if (some.length === 0) return;
      for (const one of some) await walk(one, before + entry.name + "/", found);
    }
  };

  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => { event.preventDefault(); drop.classList.add("over"); });
  }
  for (const name of ["dragleave", "drop"]) {
    drop.addEventListener(name, () => drop.classList.remove("over"));
  }
  // What misses the place would be opened by the browser in place of the page.
  for (const name of ["dragover", "drop"]) {
    window.addEventListener(name, (event) => event.preventDefault());
  }
  drop.addEventListener("drop", async (event) => {
    event.preventDefault();
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
    const found = [];
    if (entries.length) {
      for (const entry of entries) await walk(entry, "", found);
    } else {
      found.push(...[...event.dataTransfer.files].map((file) => [file.name, file]));
    }
    await take(found);
  });

  form.addEventListener("submit", () => {
    document.getElementById("checking").hidden = false;
    for (const button of form.querySelectorAll("button")) button.disabled = true;
  });
  window.addEventListener("beforeunload", (event) => { if (busy) event.preventDefault(); });
})();

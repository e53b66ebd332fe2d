// Draws the traces of trials when they come into view. The drawing library and the data are loaded
// as scripts from this folder, so that the page works from a file share; nothing comes from outside.
"use strict";
const quietsleep = (() => {
  const here = document.currentScript.src;
  const figures = [...document.querySelectorAll("figure.trace")];
  const fileOf = (figure) => figure.dataset.src.split("/").pop();
  const data = new Map();
  let library = null;

  const script = (src) => new Promise((resolve, reject) => {
    const element = document.createElement("script");
    element.src = src;
    element.onload = resolve;
    element.onerror = () => reject(new Error(src));
    document.head.append(element);
  });
  const plotly = () => {
    library = library || script(new URL("plotly.min.js", here).href);
    return library;
  };

  // Paper is white whatever the screen is.
  const PAPER = { ink: "#000", soft: "#333", line: "#bbb", act: "#8a1c0a", good: "#0f4a34",
    link: "#0a3a55", washed: "#f5e3de", width: { time: 640, loop: 315 } };
  const colours = () => {
    const style = getComputedStyle(document.documentElement);
    const of = (name) => style.getPropertyValue("--" + name).trim();
    return { ink: of("ink"), soft: of("soft"), line: of("line"), act: of("act"), good: of("good"),
      link: of("link"), washed: of("act-wash"), width: {} };
  };

  const split = (trace, faults) => trace.marks
    .map((mark) => ({ ...mark, fault: mark.quantity !== "" && faults.has(mark.quantity) }))
    .sort((a, b) => b.fault - a.fault);

  // Marks that say the same share a number and a line in the list.
  const numbered = (marks) => {
    const groups = new Map();
    for (const mark of marks) {
      const key = mark.fault + mark.label;
      if (!groups.has(key)) groups.set(key, { number: groups.size + 1, label: mark.label, fault: mark.fault, at: [] });
      const group = groups.get(key);
      mark.number = group.number;
      group.at.push(mark.axis === "loop" ? "on the loop" : "at " + Math.min(...mark.x).toFixed(2) + " s");
    }
    return [...groups.values()];
  };

  const drawnMark = (mark, axes, c) => ({
    ...axes, x: mark.x, y: mark.y, showlegend: false, hovertemplate: mark.label + "<extra></extra>",
    mode: (mark.x.length > 1 ? "lines" : "markers") + "+text",
    text: mark.x.map((_, i) => i === (mark.x.length >> 1) ? (mark.fault ? "▲" : "") + mark.number : ""),
    textposition: "top center", textfont: { color: mark.fault ? c.act : c.ink, size: mark.fault ? 14 : 12 },
    line: { color: mark.fault ? c.act : c.ink, width: mark.fault ? 3.5 : 1.5, dash: mark.fault ? "solid" : "dot" },
    marker: { color: mark.fault ? c.act : c.ink, size: mark.fault ? 12 : 8, symbol: mark.fault ? "triangle-down" : "circle-open" },
    cliponaxis: false,
  });

  const common = (c) => ({
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", showlegend: false,
    font: { color: c.ink, family: "system-ui, sans-serif", size: 12 },
    dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom", hovermode: "closest",
  });
  const axis = (c, more) => ({ gridcolor: c.line, zerolinecolor: c.soft, linecolor: c.line, ...more });
  const options = { displayModeBar: false, responsive: true, doubleClick: "reset" };

  // Stretches of time that a failed rule is about, as a band through all panels.
  const bands = (marks, c) => marks.filter((m) => m.fault && m.axis !== "loop").map((m) => {
    const low = Math.min(...m.x), high = Math.max(...m.x), least = 0.06;
    const pad = Math.max(0, least - (high - low)) / 2;
    return { type: "rect", xref: "x", yref: "paper", x0: low - pad, x1: high + pad, y0: 0, y1: 1,
      fillcolor: c.washed, line: { color: c.act, width: 1, dash: "dash" }, layer: "below" };
  });

  const drawTime = (element, trace, marks, c) => {
    const n = trace.panels.length, gap = 0.07, height = (1 - gap * (n - 1)) / n;
    const layout = { ...common(c), width: c.width.time, height: 70 + 125 * n, margin: { l: 58, r: 10, t: 20, b: 42 },
      shapes: bands(marks, c), annotations: [] };
    for (const edge of trace.trial) {
      layout.shapes.push({ type: "line", xref: "x", yref: "paper", x0: edge, x1: edge, y0: 0, y1: 1,
        line: { color: c.soft, width: 1, dash: "dot" } });
    }
    const drawn = [];
    trace.panels.forEach((panel, i) => {
      const name = i ? "y" + (i + 1) : "y", top = 1 - i * (height + gap);
      layout["yaxis" + (i ? i + 1 : "")] = axis(c, { domain: [Math.max(0, top - height), top], nticks: 5 });
      layout.annotations.push({ xref: "paper", yref: "paper", x: 0, y: top, xanchor: "left", yanchor: "bottom",
        text: panel.title + ", " + panel.unit, showarrow: false, font: { size: 12, color: c.soft } });
      drawn.push({ x: panel.x, y: panel.y, xaxis: "x", yaxis: name, mode: "lines", name: panel.title,
        line: { color: c.link, width: 1.4 }, hovertemplate: "%{x:.3f} s: %{y} " + panel.unit + "<extra></extra>" });
      for (const mark of marks.filter((m) => m.axis === panel.name)) {
        drawn.push(drawnMark(mark, { xaxis: "x", yaxis: name }, c));
      }
    });
    layout.xaxis = axis(c, { title: { text: "Time from the start of the recording, s" }, anchor: n > 1 ? "y" + n : "y" });
    return Plotly.newPlot(element, drawn, layout, options);
  };

  const drawLoop = (element, loop, marks, c) => {
    const drawn = [{ x: loop.x.v, y: loop.y.v, mode: "lines", line: { color: c.link, width: 1.4 },
      hovertemplate: "%{x} " + loop.x.unit + ", %{y} " + loop.y.unit + "<extra></extra>" }];
    for (const mark of marks) drawn.push(drawnMark(mark, {}, c));
    return Plotly.newPlot(element, drawn, { ...common(c), width: c.width.loop, height: 320, margin: { l: 58, r: 10, t: 24, b: 44 },
      xaxis: axis(c, { title: { text: loop.x.title + ", " + loop.x.unit } }),
      yaxis: axis(c, { title: { text: loop.y.title + ", " + loop.y.unit } }) }, options);
  };

  // Everything the mouse does, buttons do as well.
  const zoomButtons = (plot, trace) => {
    const whole = [...plot.layout.xaxis.range];
    const move = (change) => () => {
      const [low, high] = plot.layout.xaxis.range.map(Number);
      Plotly.relayout(plot, { "xaxis.range": change(low, high, high - low) });
    };
    const box = document.createElement("p");
    box.className = "zoom";
    const add = (text, action) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = text;
      button.addEventListener("click", action);
      box.append(button);
    };
    add("Zoom in", move((low, high, span) => [low + span / 4, high - span / 4]));
    add("Zoom out", move((low, high, span) => [low - span / 2, high + span / 2]));
    add("Earlier", move((low, high, span) => [low - span / 4, high - span / 4]));
    add("Later", move((low, high, span) => [low + span / 4, high + span / 4]));
    add("Trial alone", move(() => trace.trial));
    add("Whole trace", move(() => whole));
    return box;
  };

  const caption = (figure, groups) => {
    const box = figure.querySelector("figcaption");
    box.textContent = "";
    const said = document.createElement("p");
    const faults = groups.filter((g) => g.fault).length;
    said.textContent = faults ? "▲ marks what a rule was not met by." : figure.dataset.faults
      ? "What was not met has no single place on the trace; the lines above give the numbers." : "";
    const list = document.createElement("ol");
    list.className = "marks";
    for (const group of groups) {
      const item = document.createElement("li");
      const number = document.createElement("b");
      number.textContent = (group.fault ? "▲" : "") + group.number;
      if (group.fault) item.className = "act";
      const places = group.at.length > 3 ? group.at.length + " places" : group.at.join(", ");
      item.append(number, " " + group.label + ", " + places);
      list.append(item);
    }
    box.append(said, list);
  };

  const draw = (figure, c = colours()) => {
    const trace = data.get(fileOf(figure));
    const marks = split(trace, new Set(figure.dataset.faults.split(" ").filter(Boolean)));
    const groups = numbered(marks);
    const box = figure.querySelector(".plots");
    const title = figure.dataset.title;
    const part = (words) => {
      const element = document.createElement("div");
      element.setAttribute("role", "img");
      element.setAttribute("aria-label", title + ": " + words);
      return element;
    };
    box.textContent = "";
    const time = part(trace.panels.map((p) => p.title.toLowerCase()).join(", ") + " against time; marks are listed below");
    const left = document.createElement("div"), right = document.createElement("div");
    right.className = "loops";
    left.append(time);
    box.append(left, right);
    const drawing = [drawTime(time, trace, marks, c)];
    left.prepend(zoomButtons(time, trace));
    for (const [i, loop] of trace.loops.entries()) {
      const element = part(loop.y.title.toLowerCase() + " against " + loop.x.title.toLowerCase());
      right.append(element);
      drawing.push(drawLoop(element, loop, i ? [] : marks.filter((m) => m.axis === "loop"), c));
    }
    caption(figure, groups);
    return Promise.all(drawing).then(() => { figure.dataset.drawn = "yes"; });
  };

  const open = async (figure) => {
    if (figure.dataset.asked) return;
    figure.dataset.asked = "yes";
    try {
      await Promise.all([plotly(), script(figure.dataset.src)]);
      await draw(figure);
    } catch (error) {
      figure.querySelector(".plots").textContent = "The trace could not be loaded (" + error.message + ").";
    }
  };

  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting) open(entry.target);
  }, { rootMargin: "300px" });
  for (const figure of figures) watcher.observe(figure);

  const redraw = (c) => {
    for (const figure of figures) if (figure.dataset.drawn) draw(figure, c);
  };
  addEventListener("beforeprint", () => redraw(PAPER));
  addEventListener("afterprint", () => redraw());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => redraw());

  const tools = document.querySelector(".tools");
  if (tools) {
    tools.hidden = false;
    tools.querySelector("[data-open-all]").addEventListener("click", () => {
      for (const details of document.querySelectorAll("details.trial")) details.open = true;
      for (const figure of figures) open(figure);
    });
  }
  return { trace: (name, content) => data.set(name, content) };
})();

// Clicking crowns: the same for the notebook's widget and for a page of its own.
// `scan` is what clicking.py puts together; `io` keeps the points: changed(points), save(points).

function clicking(Plotly, root, scan, points, io) {
  const APART = 2.0;  // mm: two clicks nearer than this are on one crown
  const STILL = 4;  // pixels: a press that moves further turns the scan
  const order = [...scan.permanent, ...scan.deciduous];
  const xyz = unpacked(scan.vertices, Float64Array);
  const faces = unpacked(scan.faces, Uint32Array);
  let past = [];
  let under = null;  // the vertex or mark under the pointer
  let pressed = null;
  let typed = "";
  let flipped = false;
  points = points.map((point) => ({ ...point }));
  let next = null;

  root.className = "clicking";
  root.tabIndex = 0;
  root.setAttribute("role", "application");
  root.setAttribute("aria-label", `Click the crowns of ${scan.scan}, ${scan.arch} arch`);
  root.setAttribute("data-lm-suppress-shortcuts", "true");  // the notebook's own keys are off here
  const ask = made("p", root, { class: "ask" });
  const said = made("p", root, { class: "say", role: "status", "aria-live": "polite" });
  const both = made("div", root, { class: "both" });
  const plot = made("div", both, { class: "scan", style: `height:${scan.height}px` });
  const side = made("div", both, { class: "side", style: `max-height:${scan.height}px` });
  const buttons = new Map();
  const listOf = (teeth, parent) => {
    const box = made("div", parent, { class: "teeth", role: "group", "aria-label": "Number of the next tooth" });
    for (const tooth of teeth) {
      const button = made("button", box, { type: "button", title: scan.names[tooth] }, String(tooth));
      button.addEventListener("click", () => choose(tooth));
      buttons.set(tooth, button);
    }
  };
  listOf(scan.permanent, side);
  const fold = made("details", side);
  made("summary", fold, {}, "Deciduous teeth");
  listOf(scan.deciduous, fold);
  const bar = made("div", side, { class: "do" });
  const action = (text, title, done) => {
    const button = made("button", bar, { type: "button", title }, text);
    button.addEventListener("click", done);
    return button;
  };
  const undoing = action("Undo", "Take the last change back (Z)", () => undo());
  action("No such tooth", "Go on to the next number (N)", () => skip(1));
  action("Other side", "Look from the other side (F)", () => flip());
  action("Save", "S", () => save());
  const table = made("table", side);
  made("p", side, { class: "keys" }, "Keys: two digits pick a number, N next, B back, Z undo, F other side, S save. Drag to turn, wheel to come nearer.");

  const say = (text, kind) => {
    said.textContent = text;
    said.className = `say ${kind || ""}`;
  };
  const at = (tooth) => points.find((point) => point.tooth === tooth);
  const sorted = () => points.sort((a, b) => order.indexOf(a.tooth) - order.indexOf(b.tooth));

  function free(from, step) {
    const list = scan.first.includes(from) || from === null ? scan.first : order;
    let place = from === null ? -1 : list.indexOf(from);
    for (place += step; place >= 0 && place < list.length; place += step) if (!at(list[place])) return list[place];
    return null;
  }

  function choose(tooth) {
    next = tooth;
    show();
  }

  function skip(step) {
    const tooth = free(next, step);
    if (tooth === null) say("That was the last number in this direction: pick one from the list.", "no");
    else choose(tooth);
  }

  function change(done) {
    past.push(points.map((point) => ({ ...point })));
    done();
    kept();
  }

  function kept() {
    sorted();
    show();
    io.changed(points.map((point) => ({ ...point })));
  }

  function undo() {
    if (!past.length) return say("Nothing to take back.", "no");
    const before = past.pop();
    const back = points.find((point) => !before.some((other) => other.tooth === point.tooth));
    points = before;
    if (back) next = back.tooth;
    say("Taken back.");
    kept();
  }

  function save() {
    if (!points.length) return say("Nothing to save yet: click a crown first.", "no");
    io.save(points.map((point) => ({ ...point })));
  }

  function place(vertex) {
    if (next === null) return say("Every number has its crown. To move one, pick its number first.", "no");
    const [x, y, z] = xyz.subarray(3 * vertex, 3 * vertex + 3);
    const near = points.find((point) => point.tooth !== next
      && Math.hypot(point.x - x, point.y - y, point.z - z) * scan.mm < APART);
    if (near) return taken(near);
    const tooth = next;
    say(at(tooth) ? `${tooth} moved.` : `${tooth} placed.`);
    change(() => { points = [...points.filter((point) => point.tooth !== tooth), { tooth, x, y, z }]; next = null; });
    next = free(tooth, 1);
    if (next === null) next = free(null, 1);
    show();
  }

  function taken(point) {
    const how = point.tooth === next ? "click where it should be" : `pick ${point.tooth} first`;
    say(`That is the crown of ${point.tooth}. To move its point, ${how}.`, "no");
  }

  function renumber(from, to) {
    if (at(to)) { show(); return say(`${to} has its crown already: remove it first.`, "no"); }
    change(() => { at(from).tooth = to; if (next === to) next = from; });
    say(`${from} is now ${to}.`);
  }

  function remove(tooth) {
    change(() => { points = points.filter((point) => point.tooth !== tooth); next = tooth; });
    say(`${tooth} removed.`);
  }

  function show() {
    for (const [tooth, button] of buttons) {
      button.setAttribute("aria-pressed", String(tooth === next));
      button.classList.toggle("done", Boolean(at(tooth)));
    }
    undoing.disabled = !past.length;
    ask.textContent = "";
    if (next === null) ask.textContent = `All ${points.length} numbered. ${scan.kept}`;
    else {
      ask.append("Click the middle of the biting surface or edge of ");
      made("b", ask, {}, `${next}, ${scan.names[next]}`);
      ask.append(at(next) ? ": its point moves there." : ". Another tooth: pick its number first.");
    }
    table.textContent = "";
    const head = made("tr", table);
    for (const name of ["tooth", `x, ${scan.unit}`, "y", "z", ""]) made("th", head, {}, name);
    for (const point of points) {
      const row = made("tr", table);
      const pick = made("select", made("td", row), { "aria-label": `Number of the tooth clicked as ${point.tooth}` });
      for (const tooth of order) {
        const option = made("option", pick, {}, String(tooth));
        option.selected = tooth === point.tooth;
      }
      pick.addEventListener("change", () => renumber(point.tooth, Number(pick.value)));
      const digits = Math.max(2, Math.ceil(Math.log10(scan.mm)) + 2);
      for (const axis of ["x", "y", "z"]) made("td", row, {}, point[axis].toFixed(digits));
      const gone = made("button", made("td", row), { type: "button", "aria-label": `Remove ${point.tooth}` }, "×");
      gone.addEventListener("click", () => remove(point.tooth));
    }
    mark();
  }

  // a little above the surface, so that the mark is seen
  const lifted = (point) => ["x", "y", "z"].map((axis, k) =>
    (point[axis] - scan.middle[k]) * scan.mm + 0.5 * scan.eye[k] * way());
  const way = () => (flipped ? -1 : 1);

  function mark() {
    if (!plot.data) return;
    const dots = points.map(lifted);
    const [x, y, z] = [0, 1, 2].map((k) => [dots.map((dot) => dot[k])]);
    const annotations = points.map((point, n) => ({
      x: dots[n][0], y: dots[n][1], z: dots[n][2], text: `<b>${point.tooth}</b>`, showarrow: false, yshift: 16,
      font: { size: 14, color: "#332288" }, bgcolor: "rgba(255,255,255,0.75)", borderpad: 1,
    }));
    Plotly.update(plot, { x, y, z }, { "scene.annotations": annotations }, [1]);
  }

  function flip() {
    flipped = !flipped;
    Plotly.relayout(plot, { "scene.camera": cameraFrom(scan.eye, scan.up, way()) });
    mark();
  }

  function key(event) {
    if (event.target.tagName === "SELECT" && /^[0-9]$/.test(event.key)) return;
    if (event.altKey || event.metaKey && event.key !== "z" || event.ctrlKey && !"zs".includes(event.key)) return;
    const name = event.key.toLowerCase();
    const known = { n: () => skip(1), b: () => skip(-1), z: undo, f: flip, s: save };
    if (known[name]) known[name]();
    else if (/^[0-9]$/.test(name)) digit(name);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  function digit(name) {
    typed = (typed + name).slice(-2);
    if (typed.length < 2) return say(`Number of the tooth: ${typed} …`);
    const tooth = Number(typed);
    typed = "";
    if (order.includes(tooth)) { say(`Next: ${tooth}.`); choose(tooth); }
    else say(`${tooth} is no tooth of the ${scan.arch} arch: nothing changed.`, "no");
  }

  const inside = (event) => plot.contains(event.target);
  root.addEventListener("keydown", key);
  plot.addEventListener("pointerdown", (event) => {
    root.focus({ preventScroll: true });
    pressed = event.button === 0 ? { x: event.clientX, y: event.clientY } : null;
  }, true);
  const released = (event) => {
    const from = pressed;
    pressed = null;
    if (!from || !inside(event) || Math.hypot(event.clientX - from.x, event.clientY - from.y) > STILL) return;
    // the vertex under the pointer is told with the next picture
    requestAnimationFrame(() => requestAnimationFrame(() => {
      if (under === null) say("That was beside the scan: nothing was placed.", "no");
      else if (under.mark === undefined) place(under.vertex);
      else if (points[under.mark]) taken(points[under.mark]);
    }));
  };
  root.ownerDocument.addEventListener("pointerup", released, true);

  const [x, y, z] = [0, 1, 2].map((k) => column(xyz, k, scan.middle[k], scan.mm));
  const [i, j, k] = [0, 1, 2].map((n) => column(faces, n, 0, 1, Uint32Array));
  const spans = [x, y, z].map((values) => values.reduce((a, b) => Math.max(a, b)) - values.reduce((a, b) => Math.min(a, b)));
  const shade = shades(xyz, faces, scan.eye.map((v, n) => v + 0.6 * scan.up[n]));
  const ready = Plotly.newPlot(plot, [
    {
      type: "mesh3d", x, y, z, i, j, k, hoverinfo: "none", lighting: PAINTED,
      vertexcolor: painted(shade, () => [240, 233, 216]),
    },
    {
      type: "scatter3d", mode: "markers", x: [], y: [], z: [], hoverinfo: "none", showlegend: false,
      marker: { size: 7, color: "#332288", line: { color: "white", width: 1 } },
    },
  ], {
    scene: sceneOf(spans, cameraFrom(scan.eye, scan.up)), margin: { l: 0, r: 0, t: 0, b: 0 },
    paper_bgcolor: "white", autosize: true, hovermode: "closest",
  },
  { displayModeBar: false, responsive: true, doubleClick: false, scrollZoom: true }).then(() => {
    plot.on("plotly_hover", (event) => {
      const [hit] = event.points;
      under = hit.curveNumber === 0 ? { vertex: hit.pointNumber } : { mark: hit.pointNumber };
    });
    plot.on("plotly_unhover", () => { under = null; });
    mark();
  });
  next = free(null, 1);
  sorted();
  say(points.length ? `Goes on with ${points.length} from ${scan.file}. ${scan.kept}` : scan.kept);
  show();

  return {
    ready, say, plot,
    take(other) {
      if (JSON.stringify(other) === JSON.stringify(points)) return;
      points = other.map((point) => ({ ...point }));
      sorted();
      show();
    },
    csv() {
      const six = (value) => value.toFixed(6).replace(/^-(0\.0+)$/, "$1");
      const rows = points.map((point) =>
        [scan.model, point.tooth, scan.point, six(point.x), six(point.y), six(point.z)].join(","));
      return `${[scan.columns.join(","), ...rows].join("\n")}\n${scan.others}`;
    },
    end() {
      root.ownerDocument.removeEventListener("pointerup", released, true);
      Plotly.purge(plot);
    },
  };
}

// A page of its own: Save gives the file as a download.
function clickingPage(Plotly, root, scan) {
  let open = false;
  const ui = clicking(Plotly, root, scan, scan.points, {
    changed() { open = true; },
    save(points) {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([ui.csv()], { type: "text/csv" }));
      link.download = scan.file;
      link.click();
      URL.revokeObjectURL(link.href);
      open = false;
      ui.say(`${scan.file} with ${points.length} teeth went to your downloads: put it beside ${scan.scan}.`);
    },
  });
  addEventListener("beforeunload", (event) => { if (open) event.preventDefault(); });
  window.clickingNow = ui;
  return ui;
}

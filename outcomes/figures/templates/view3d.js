// An arch to be turned: `scans` is what view3d.py puts together.

function view3d(Plotly, scans) {
  const plot = document.getElementById("arch");
  const form = document.getElementById("choices");
  const scale = document.getElementById("scale");
  const light = scans.eye.map((v, n) => v + 0.6 * scans.up[n]);
  const GUM = [236, 228, 222], START = [176, 176, 176];
  const chosen = { stage: scans.stages.length - 1, shows: "moved", start: true };

  const surface = (data) => {
    const xyz = unpacked(data.vertices, Float32Array), faces = unpacked(data.faces, data.short ? Uint16Array : Uint32Array);
    const tooth = unpacked(data.tooth, Uint8Array);
    const [x, y, z] = [0, 1, 2].map((k) => column(xyz, k, scans.middle[k]));
    const [i, j, k] = [0, 1, 2].map((n) => column(faces, n, 0, 1, Uint32Array));
    return {
      shade: shades(xyz, faces, light), data,
      trace: {
        type: "mesh3d", x, y, z, i, j, k, lighting: PAINTED, hovertemplate: "%{text}<extra></extra>",
        text: Array.from(tooth, (number) => scans.words[number] || "no crown"),
        hoverlabel: { bgcolor: "white", bordercolor: "#777777", font: { color: "#222222", size: 13 }, align: "left" },
      },
    };
  };

  const start = surface(scans.start);
  const stages = scans.stages.map(surface);
  const colours = (stage) => {
    const steps = unpacked(stage.data[chosen.shows], Uint8Array), last = scans.scale.length - 1;
    return painted(stage.shade, (v) => (steps[v] === scans.none ? GUM : scans.scale[Math.round(steps[v] / (scans.none - 1) * last)]));
  };

  const choice = (kind, name, value, text, on) => {
    const label = made("label", kind);
    const input = made("input", label, { type: name === "start" ? "checkbox" : "radio", name, value });
    input.checked = on;
    label.append(` ${text}`);
    return input;
  };
  const group = (text) => {
    const set = made("fieldset", form);
    made("legend", set, {}, text);
    return set;
  };
  const shown = group("Shown:");
  choice(shown, "start", "start", "start", true);
  scans.stages.forEach((stage, n) => choice(shown, "stage", n, stage.name, n === chosen.stage));
  const by = group("Colour:");
  for (const [name, [text]] of Object.entries(scans.shows)) choice(by, "shows", name, text, name === chosen.shows);
  const button = made("button", form, { type: "button" }, "Look from the biting side");
  button.addEventListener("click", () => Plotly.relayout(plot, { "scene.camera": cameraFrom(scans.eye, scans.up) }));
  form.addEventListener("change", (event) => {
    const { name, value, checked } = event.target;
    if (name === "start") chosen.start = checked;
    else chosen[name] = name === "stage" ? Number(value) : value;
    draw();
  });

  function legend() {
    const [text, top] = scans.shows[chosen.shows];
    scale.textContent = "";
    scale.append("0");
    const stops = scans.scale.map((c) => `rgb(${c.join(",")})`).join(",");
    made("span", scale, { id: "bar", style: `background:linear-gradient(to right,${stops})` });
    scale.append(`${top} mm or more: ${text}. Pale: no crown that was measured.`);
  }

  function traces() {
    const alone = chosen.stage < 0;
    return [
      ...stages.map((stage, n) => ({ ...stage.trace, visible: n === chosen.stage, vertexcolor: n === chosen.stage ? colours(stage) : undefined })),
      { ...start.trace, visible: chosen.start, opacity: alone ? 1 : 0.3, vertexcolor: painted(start.shade, () => START) },
    ];
  }

  const { x, y, z } = start.trace;
  const spans = [x, y, z].map((values) => values.reduce((a, b) => Math.max(a, b)) - values.reduce((a, b) => Math.min(a, b)));
  const layout = {
    scene: { ...sceneOf(spans, cameraFrom(scans.eye, scans.up)), uirevision: "kept" }, uirevision: "kept",
    margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "white", showlegend: false,
  };
  const draw = () => {
    legend();
    return Plotly.react(plot, traces(), layout, { displayModeBar: false, responsive: true, doubleClick: false, scrollZoom: true });
  };
  return { ready: draw(), plot, chosen };
}

// What pages with a scan share. Shades are painted on the vertices, from one light above the eye and
// darker in grooves, so that margins and fissures are seen from every side and in every browser.

function unpacked(text, Kind) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  return new Kind(bytes.buffer);
}

function made(name, parent, attributes, text) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.appendChild(element);
  return element;
}

// The k-th of three numbers a row, less something, times something.
function column(all, k, less, times, Kind) {
  return (Kind || Float64Array).from({ length: all.length / 3 }, (_, i) => (all[3 * i + k] - (less || 0)) * (times || 1));
}

// For each vertex 0 (dark) to 1 (light); `to` points to the light.
function shades(xyz, faces, to) {
  const n = xyz.length / 3;
  const normal = new Float64Array(3 * n), dip = new Float64Array(n), near = new Float64Array(n);
  const p = (v, k) => xyz[3 * v + k];
  for (let f = 0; f < faces.length; f += 3) {
    const [a, b, c] = [faces[f], faces[f + 1], faces[f + 2]];
    const u = [0, 1, 2].map((k) => p(b, k) - p(a, k)), v = [0, 1, 2].map((k) => p(c, k) - p(a, k));
    const w = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    for (const q of [a, b, c]) for (let k = 0; k < 3; k++) normal[3 * q + k] += w[k];
  }
  for (let q = 0; q < n; q++) {
    const size = Math.hypot(normal[3 * q], normal[3 * q + 1], normal[3 * q + 2]) || 1;
    for (let k = 0; k < 3; k++) normal[3 * q + k] /= size;
  }
  for (let f = 0; f < faces.length; f++) {
    const a = faces[f], b = faces[f % 3 === 2 ? f - 2 : f + 1];
    for (const [s, t] of [[a, b], [b, a]]) {
      const way = [0, 1, 2].map((k) => p(t, k) - p(s, k)), far = Math.hypot(...way) || 1;
      dip[s] += (normal[3 * s] * way[0] + normal[3 * s + 1] * way[1] + normal[3 * s + 2] * way[2]) / far;
      near[s] += 1;
    }
  }
  const size = Math.hypot(...to);
  return Float64Array.from({ length: n }, (_, q) => {
    const lit = Math.max(0, (normal[3 * q] * to[0] + normal[3 * q + 1] * to[1] + normal[3 * q + 2] * to[2]) / size);
    const groove = Math.min(0.35, Math.max(-0.12, 1.1 * dip[q] / (near[q] || 1)));
    return Math.min(1, Math.max(0.18, 0.38 + 0.56 * lit - groove));
  });
}

// Colours as plotly takes them: a colour [r, g, b] (0 to 255) for each vertex, times its shade.
function painted(shade, colour) {
  return Array.from(shade, (s, v) => {
    const [r, g, b] = colour(v);
    return `rgb(${Math.round(r * s)},${Math.round(g * s)},${Math.round(b * s)})`;
  });
}

const PAINTED = { ambient: 1, diffuse: 0, specular: 0, fresnel: 0, roughness: 1 };

// The picture of a scan: no axes, seen from `eye`; `spans` are its three extents.
function sceneOf(spans, camera) {
  const most = Math.max(...spans) / 1.7;
  return {
    aspectmode: "manual", aspectratio: { x: spans[0] / most, y: spans[1] / most, z: spans[2] / most },
    dragmode: "orbit", camera, xaxis: { visible: false }, yaxis: { visible: false }, zaxis: { visible: false },
  };
}

function cameraFrom(eye, up, way) {
  const [x, y, z] = eye.map((v) => 1.6 * (way || 1) * v);
  return { eye: { x, y, z }, up: { x: up[0], y: up[1], z: up[2] }, center: { x: 0, y: 0, z: 0 }, projection: { type: "orthographic" } };
}

"use strict";
/* The 3D view of the report: one canvas, plain WebGL 2, no library. Data stand in the page as base64.
   Turn: drag or arrow keys. Zoom: wheel, + and -. Shift: drag with the right button or with Shift held.
   Home: key 0. A click on the part selects its rows in the tables, a click on a row turns to the feature. */
(function () {
  // What is folded can be reached by links, is printed, and can be unfolded all at once.
  const folds = () => Array.from(document.querySelectorAll("details"));
  const unfold = () => {
    for (let one = document.querySelector(":target"); one; one = one.parentElement) if (one.tagName === "DETAILS") one.open = true;
  };
  window.addEventListener("hashchange", unfold);
  unfold();
  let folded = [];
  window.addEventListener("beforeprint", () => { folded = folds().filter((one) => !one.open); folded.forEach((one) => { one.open = true; }); });
  window.addEventListener("afterprint", () => folded.forEach((one) => { one.open = false; }));
  const button = document.getElementById("unfold");
  button.hidden = false;
  button.addEventListener("click", () => {
    const open = folds().some((one) => !one.open);
    folds().forEach((one) => { one.open = open; });
    button.textContent = open ? "Fold all" : "Unfold all";
  });
  const datums = JSON.parse(document.getElementById("datums").textContent);
  const scene = JSON.parse(document.getElementById("scene").textContent);
  const canvas = document.getElementById("view3d");
  const tip = document.getElementById("tip");
  const status = document.getElementById("view3d-status");
  const gl = scene.faces && canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
  if (!gl) {
    document.getElementById("view3d-box").classList.add("without");
    status.textContent = "This browser shows no 3D here; the pictures tell the same.";
    return;
  }

  function bytes(text) {
    const raw = atob(text);
    const out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out.buffer;
  }
  const places = new Int16Array(bytes(scene.positions));
  const faces = new Uint32Array(bytes(scene.faces));
  // A view of placed parts knows no deviations; it is painted by kind alone.
  const deviations = scene.deviations && new Int16Array(bytes(scene.deviations));
  const labels = new Int32Array(bytes(scene.labels));
  const origins = new Uint8Array(bytes(scene.origins));
  const facets = faces.length / 3;

  const UNKNOWN = -32768;

  // Normals are smooth over facets that turn little, so that rounds look round and edges stay sharp.
  const CREASE = 0.848;
  const flat = new Float32Array(facets * 3);
  const first = new Uint32Array(places.length / 3 + 1);
  function placed(v) { return [0, 1, 2].map((a) => places[3 * v + a] * scene.step[a]); }
  for (let f = 0; f < facets; f++) {
    const [p, q, r] = [0, 1, 2].map((k) => placed(faces[3 * f + k]));
    const e = [q[0] - p[0], q[1] - p[1], q[2] - p[2]], g = [r[0] - p[0], r[1] - p[1], r[2] - p[2]];
    flat[3 * f] = e[1] * g[2] - e[2] * g[1];
    flat[3 * f + 1] = e[2] * g[0] - e[0] * g[2];
    flat[3 * f + 2] = e[0] * g[1] - e[1] * g[0];
    for (let k = 0; k < 3; k++) first[faces[3 * f + k] + 1]++;
  }
  for (let v = 1; v < first.length; v++) first[v] += first[v - 1];
  const next = first.slice(), round = new Uint32Array(facets * 3);
  for (let at = 0; at < facets * 3; at++) round[next[faces[at]]++] = Math.floor(at / 3);
  const normals = new Float32Array(facets * 9);
  for (let at = 0; at < facets * 3; at++) {
    const f = 3 * Math.floor(at / 3), v = faces[at];
    const x = flat[f], y = flat[f + 1], z = flat[f + 2], own = Math.hypot(x, y, z);
    let sx = 0, sy = 0, sz = 0;
    for (let s = first[v]; s < first[v + 1]; s++) {
      const g = 3 * round[s], gx = flat[g], gy = flat[g + 1], gz = flat[g + 2];
      if (x * gx + y * gy + z * gz >= CREASE * own * Math.sqrt(gx * gx + gy * gy + gz * gz)) { sx += gx; sy += gy; sz += gz; }
    }
    const long = Math.hypot(sx, sy, sz) || 1;
    normals[3 * at] = sx / long; normals[3 * at + 1] = sy / long; normals[3 * at + 2] = sz / long;
  }

  // Each facet gets corners of its own, since label and origin belong to the facet.
  const corner = new Float32Array(facets * 9);
  const extra = new Float32Array(facets * 9);
  for (let f = 0; f < facets; f++) {
    for (let k = 0; k < 3; k++) {
      const v = faces[3 * f + k], at = 9 * f + 3 * k;
      for (let a = 0; a < 3; a++) corner[at + a] = places[3 * v + a] * scene.step[a] + scene.centre[a];
      extra[at] = !deviations || deviations[v] === UNKNOWN ? 1e9 : deviations[v] * scene.deviation_step;
      extra[at + 1] = labels[f];
      extra[at + 2] = origins[f];
    }
  }

  function shader(kind, text) {
    const made = gl.createShader(kind);
    gl.shaderSource(made, text);
    gl.compileShader(made);
    if (!gl.getShaderParameter(made, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(made));
    return made;
  }
  function program(vertex, fragment) {
    const made = gl.createProgram();
    gl.attachShader(made, shader(gl.VERTEX_SHADER, vertex));
    gl.attachShader(made, shader(gl.FRAGMENT_SHADER, fragment));
    gl.bindAttribLocation(made, 0, "place");
    gl.bindAttribLocation(made, 1, "extra");
    gl.bindAttribLocation(made, 2, "normal");
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(made));
    return made;
  }
  const TO_SCREEN = `#version 300 es
    precision highp float;
    in vec3 place; in vec3 extra; in vec3 normal;
    uniform mat3 turn; uniform vec3 middle; uniform vec2 shift; uniform float zoom, wide, deep;
    out vec3 facing; flat out vec2 what; out float off; flat out int facet;
    void main() {
      facing = turn * normal;
      vec3 seen = turn * (place - middle);
      what = extra.yz; off = extra.x; facet = gl_VertexID / 3;
      vec2 at = (seen.xy + shift) * zoom;
      gl_Position = vec4(at.x / wide, at.y, -seen.z / deep, 1.0);
      gl_PointSize = 1.0;
    }`;
  const PAINT = program(TO_SCREEN, `#version 300 es
    precision highp float;
    in vec3 facing; flat in vec2 what; in float off; flat in int facet;
    uniform sampler2D ramp, kinds, picked; uniform float limit, lined, mode, any, tinted, pale;
    uniform vec3 plain, unknown, filled, gilded, faded;
    out vec4 colour;
    float line(float x, float step, float width) { return mod(x, step) < width ? 0.74 : 1.0; }
    void main() {
      vec3 way = normalize(facing);
      float lit = clamp(0.72 + 0.24 * abs(way.z) + 0.11 * way.y - 0.07 * way.x, 0.55, 1.07);
      vec3 base; float hatch = 1.0; vec2 p = gl_FragCoord.xy;
      vec4 look = what.x < 0.0 ? vec4(plain, 0.0) : texelFetch(kinds, ivec2(int(what.x), 0), 0);
      if (mode < 0.5 && abs(off) > 1e6) base = unknown;
      else if (mode < 0.5) {
        if (off < -lined * limit) hatch = line(p.y, 5.0, 1.0);
        base = texture(ramp, vec2(0.5 + 0.5 * clamp(off / limit, -1.0, 1.0), 0.5)).rgb;
      }
      else {
        base = look.rgb;
        int pattern = int(look.a * 255.0 + 0.5);
        if (pattern == 1) hatch = line(p.x + p.y, 9.0, 1.5);
        if (pattern == 2) hatch = line(p.x - p.y, 9.0, 1.5);
        if (pattern == 3) hatch = length(mod(p, 8.0) - 4.0) < 1.5 ? 0.70 : 1.0;
        if (pattern == 4) hatch = min(line(p.x, 9.0, 1.5), line(p.y, 9.0, 1.5));
        if (pattern == 5) hatch = line(p.y, 9.0, 1.5);
      }
      if (what.y > 0.5 && what.y < 1.5) {
        base = filled; hatch = min(line(p.x + p.y, 7.0, 2.0), line(p.x - p.y, 7.0, 2.0));
      }
      if (any > 0.5) base = what.x >= 0.0 && texelFetch(picked, ivec2(int(what.x), 0), 0).r > 0.5 ? mix(base, gilded, tinted) : mix(base, faded, pale);
      colour = vec4(min(base * hatch * lit, 1.0), 1.0);
    }`);
  const PICK = program(TO_SCREEN, `#version 300 es
    precision highp float;
    in vec3 facing; flat in vec2 what; in float off; flat in int facet;
    out vec4 colour;
    void main() { int n = facet + 1; colour = vec4(float(n & 255), float((n >> 8) & 255), float((n >> 16) & 255), 255.0) / 255.0; }`);
  // White where what is chosen is seen, to count by.
  const SHOWN = program(TO_SCREEN, `#version 300 es
    precision highp float;
    in vec3 facing; flat in vec2 what; in float off; flat in int facet;
    uniform sampler2D picked; out vec4 colour;
    void main() { float on = what.x < 0.0 ? 0.0 : texelFetch(picked, ivec2(int(what.x), 0), 0).r; colour = vec4(on, on, on, on); }`);
  const LINES = program(TO_SCREEN, `#version 300 es
    precision highp float;
    in vec3 facing; flat in vec2 what; in float off; flat in int facet;
    uniform vec3 ink; out vec4 colour;
    void main() { colour = vec4(ink, 1.0); }`);

  function buffers(...streams) {
    const array = gl.createVertexArray();
    gl.bindVertexArray(array);
    streams.forEach((data, slot) => {
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
      gl.enableVertexAttribArray(slot);
      gl.vertexAttribPointer(slot, 3, gl.FLOAT, false, 0, 0);
    });
    return array;
  }
  const part = buffers(corner, extra, normals);

  function texture(data, width, smooth) {
    const made = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, made);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, width, 1, 0, gl.RGBA, gl.UNSIGNED_BYTE, data);
    const way = smooth ? gl.LINEAR : gl.NEAREST;
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, way);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, way);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
    return made;
  }
  const ramp = texture(new Uint8Array(bytes(scene.ramp)), scene.ramp_size, true);
  const count = Math.max(1, datums.features.length);
  const kinds = texture(new Uint8Array(bytes(scene.kinds)), count, false);
  const marks = new Uint8Array(4 * count);
  let picked = texture(marks, count, false);

  // Lines: the axes of the part frame, then each feature's axis in long and short dashes.
  function dashes(from, to) {
    const out = [], whole = Math.hypot(...to.map((x, a) => x - from[a]));
    const pattern = [scene.size * 0.03, scene.size * 0.008, scene.size * 0.006, scene.size * 0.008];
    for (let at = 0, k = 0; at < whole; at += pattern[k % 4], k++) {
      if (k % 2) continue;
      const end = Math.min(whole, at + pattern[k % 4]);
      for (const t of [at / whole, end / whole]) from.forEach((x, a) => out.push(x + t * (to[a] - x)));
    }
    return out;
  }
  const lines = [], axes = {};
  for (const axis of [[1, 0, 0], [0, 1, 0], [0, 0, 1]]) lines.push(0, 0, 0, ...axis.map((x) => x * scene.size * 0.22));
  datums.features.forEach((feature, index) => {
    const place = feature.in_part_frame;
    if (!place || !place.direction || !feature.extent.along) return;
    const half = 0.5 * (feature.extent.length || 0) + 0.06 * scene.size;
    const ends = [-half, half].map((t) => place.point.map((x, a) => x + t * place.direction[a]));
    const made = dashes(ends[0], ends[1]);
    axes[index] = [lines.length / 3, made.length / 3];
    for (const x of made) lines.push(x);
  });
  const drawn = buffers(new Float32Array(lines), new Float32Array(lines.length));

  const state = { turn: null, zoom: 1, shift: [0, 0], chosen: [], mode: deviations ? 0 : 1 };
  const HOME = [0.743, 0.669, 0.0, -0.335, 0.372, 0.866, 0.579, -0.643, 0.5];
  const whole = Uint32Array.from({ length: places.length / 3 }, (_, v) => v);
  // Low and high ends of vertices across the screen, as it is turned.
  function outline(turn, vertices) {
    const low = [Infinity, Infinity], high = [-Infinity, -Infinity];
    for (const v of vertices) {
      const d = [0, 1, 2].map((a) => places[3 * v + a] * scene.step[a]);
      for (const r of [0, 1]) {
        const x = turn[3 * r] * d[0] + turn[3 * r + 1] * d[1] + turn[3 * r + 2] * d[2];
        low[r] = Math.min(low[r], x); high[r] = Math.max(high[r], x);
      }
    }
    return [low, high];
  }
  // As large as the box allows, with a margin.
  function fit(turn, vertices) {
    const [low, high] = outline(turn, vertices), wide = canvas.clientWidth / Math.max(1, canvas.clientHeight);
    state.turn = turn;
    state.zoom = 1.76 / Math.max(high[1] - low[1], (high[0] - low[0]) / wide, 1e-6);
    state.shift = [-(low[0] + high[0]) / 2, -(low[1] + high[1]) / 2];
  }
  function home() { fit(HOME.slice(), whole); }
  home();

  function set(name, of, kind, ...values) { gl[kind](gl.getUniformLocation(of, name), ...values); }
  function aim(which) {
    gl.useProgram(which);
    const t = state.turn;
    set("turn", which, "uniformMatrix3fv", false, new Float32Array([t[0], t[3], t[6], t[1], t[4], t[7], t[2], t[5], t[8]]));
    set("middle", which, "uniform3fv", scene.centre);
    set("shift", which, "uniform2fv", state.shift);
    set("zoom", which, "uniform1f", state.zoom);
    set("wide", which, "uniform1f", canvas.width / canvas.height);
    set("deep", which, "uniform1f", scene.size * 2);
  }
  let waiting = false;
  function draw() {
    waiting = false;
    const sharp = Math.min(2, window.devicePixelRatio || 1);
    const width = Math.round(canvas.clientWidth * sharp), height = Math.round(canvas.clientHeight * sharp);
    if (width && (canvas.width !== width || canvas.height !== height)) { canvas.width = width; canvas.height = height; }
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.enable(gl.DEPTH_TEST);
    gl.clearColor(...scene.colours.paper, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    aim(PAINT);
    gl.activeTexture(gl.TEXTURE0); gl.bindTexture(gl.TEXTURE_2D, ramp);
    gl.activeTexture(gl.TEXTURE1); gl.bindTexture(gl.TEXTURE_2D, kinds);
    set("ramp", PAINT, "uniform1i", 0);
    set("kinds", PAINT, "uniform1i", 1);
    set("limit", PAINT, "uniform1f", scene.limit);
    set("lined", PAINT, "uniform1f", scene.lined);
    set("mode", PAINT, "uniform1f", state.mode);
    gl.activeTexture(gl.TEXTURE2); gl.bindTexture(gl.TEXTURE_2D, picked);
    set("picked", PAINT, "uniform1i", 2);
    set("any", PAINT, "uniform1f", state.chosen.length ? 1 : 0);
    set("tinted", PAINT, "uniform1f", scene.tinted);
    set("pale", PAINT, "uniform1f", scene.pale);
    const paints = { plain: "no feature", unknown: "unknown", filled: "filled", gilded: "chosen", faded: "faded" };
    for (const [name, colour] of Object.entries(paints)) set(name, PAINT, "uniform3fv", scene.colours[colour]);
    gl.bindVertexArray(part);
    gl.drawArrays(gl.TRIANGLES, 0, facets * 3);
    gl.disable(gl.DEPTH_TEST);
    aim(LINES);
    set("ink", LINES, "uniform3fv", scene.colours.ink);
    gl.bindVertexArray(drawn);
    gl.drawArrays(gl.LINES, 0, 6);
    for (const index of state.chosen.length ? state.chosen : scene.datum_features) if (axes[index]) gl.drawArrays(gl.LINES, ...axes[index]);
    letters();
  }
  function later() { if (!waiting) { waiting = true; requestAnimationFrame(draw); } }

  function onScreen(point) {
    const t = state.turn, d = point.map((x, a) => x - scene.centre[a]);
    const seen = [0, 3, 6].map((r) => t[r] * d[0] + t[r + 1] * d[1] + t[r + 2] * d[2]);
    const x = ((seen[0] + state.shift[0]) * state.zoom * canvas.clientHeight) / canvas.clientWidth;
    const y = (seen[1] + state.shift[1]) * state.zoom;
    return [(0.5 + 0.5 * x) * canvas.clientWidth, (0.5 - 0.5 * y) * canvas.clientHeight];
  }
  const tags = [];
  function tag(text, point, kind) {
    const made = document.createElement("span");
    made.className = "tag " + kind;
    made.textContent = text;
    made.setAttribute("aria-hidden", "true");
    document.getElementById("view3d-box").appendChild(made);
    tags.push([made, point]);
  }
  ["X", "Y", "Z"].forEach((name, a) => tag(name, [0, 1, 2].map((b) => (a === b ? scene.size * 0.24 : 0)), "axis"));
  scene.datum_marks.forEach(([letter, point]) => tag(letter, point, "datum"));
  function letters() {
    const taken = [];
    for (const [made, point] of tags) {
      let [x, y] = onScreen(point);
      // Letters that would cover each other stand side by side.
      while (taken.some(([p, q]) => Math.abs(p - x) < 26 && Math.abs(q - y) < 24)) x += 27;
      taken.push([x, y]);
      made.style.left = `${((100 * x) / canvas.clientWidth).toFixed(2)}%`;
      made.style.top = `${((100 * y) / canvas.clientHeight).toFixed(2)}%`;
    }
  }

  const target = gl.createFramebuffer(), pixels = gl.createRenderbuffer(), depths = gl.createRenderbuffer();
  function unseen(width, height, which) {
    gl.bindFramebuffer(gl.FRAMEBUFFER, target);
    gl.bindRenderbuffer(gl.RENDERBUFFER, pixels);
    gl.renderbufferStorage(gl.RENDERBUFFER, gl.RGBA8, width, height);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.RENDERBUFFER, pixels);
    gl.bindRenderbuffer(gl.RENDERBUFFER, depths);
    gl.renderbufferStorage(gl.RENDERBUFFER, gl.DEPTH_COMPONENT16, width, height);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, gl.RENDERBUFFER, depths);
    gl.viewport(0, 0, width, height);
    gl.enable(gl.DEPTH_TEST);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    aim(which);
    gl.bindVertexArray(part);
  }
  function facetAt(x, y) {
    unseen(canvas.width, canvas.height, PICK);
    gl.drawArrays(gl.TRIANGLES, 0, facets * 3);
    const out = new Uint8Array(4), sharp = canvas.width / canvas.clientWidth;
    gl.readPixels(Math.floor(x * sharp), Math.floor(canvas.height - y * sharp), 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, out);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    return out[0] + 256 * out[1] + 65536 * out[2] - 1;
  }

  // How many pixels of a small picture show what is chosen, from where the view stands.
  const SMALL = 96;
  function seen() {
    unseen(SMALL, SMALL, SHOWN);
    gl.activeTexture(gl.TEXTURE2); gl.bindTexture(gl.TEXTURE_2D, picked);
    set("picked", SHOWN, "uniform1i", 2);
    set("wide", SHOWN, "uniform1f", 1);
    gl.drawArrays(gl.TRIANGLES, 0, facets * 3);
    const out = new Uint8Array(4 * SMALL * SMALL);
    gl.readPixels(0, 0, SMALL, SMALL, gl.RGBA, gl.UNSIGNED_BYTE, out);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    let many = 0;
    for (let at = 0; at < out.length; at += 4) if (out[at] > 127) many++;
    return many;
  }
  const unit = (v) => { const long = Math.hypot(...v) || 1; return v.map((x) => x / long); };
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  function facingTo(towards) {
    const right = unit(cross(Math.abs(towards[2]) > 0.98 ? [0, -1, 0] : [0, 0, 1], towards));
    return [...right, ...cross(towards, right), ...towards];
  }
  // Turns to where most of what is chosen is seen: along its axis or normal, aslant, or from a corner.
  function turnTo(features) {
    const on = new Set(features), corners = new Set(), ways = [];
    for (let f = 0; f < facets; f++) if (on.has(labels[f])) for (let k = 0; k < 3; k++) corners.add(faces[3 * f + k]);
    if (!corners.size) return;
    const along = datums.features[features[0]].in_part_frame.direction;
    const slants = [[0.58, -0.64, 0.5], [-0.58, 0.64, 0.5]];
    if (along) for (const sign of [1, -1]) for (const slant of slants) ways.push(unit(along.map((x, a) => sign * x + 0.5 * slant[a])));
    ways.push(...slants, [0.58, 0.64, -0.5]);
    let best = -1, turn = null;
    for (const way of ways) {
      fit(facingTo(way), corners);
      state.zoom *= 0.5;
      const many = seen();
      if (many > 1.1 * best) { best = many; turn = state.turn; }
    }
    fit(turn, whole);
    const far = state.zoom;
    fit(turn, corners);
    // Near enough to see it, and far enough to see where it is.
    state.zoom = Math.min(Math.max(0.45 * state.zoom, far), 4 * far);
    if (state.zoom === far) fit(turn, whole);
  }

  const rows = Array.from(document.querySelectorAll("tr[data-feature]"));
  const of = (row) => row.dataset.feature.split(" ").map(Number);
  const table = document.querySelector(".work .rows");
  function called(feature) { return feature.name ? `${feature.id} (${feature.name})` : feature.id; }
  function choose(features) {
    const same = features.length === state.chosen.length && features.every((one) => state.chosen.includes(one));
    state.chosen = same ? [] : features;
    marks.fill(0);
    for (const one of state.chosen) marks[4 * one] = 255;
    gl.deleteTexture(picked);
    picked = texture(marks, count, false);
    rows.forEach((row) => {
      const on = of(row).some((one) => state.chosen.includes(one));
      row.classList.toggle("chosen", on);
      if (on) row.setAttribute("aria-current", "true"); else row.removeAttribute("aria-current");
    });
    const told = state.chosen.map((one) => called(datums.features[one])).join(", ");
    status.textContent = told ? `Selected: ${told}. ` : "Nothing is selected.";
    const row = told && Array.from(table.querySelectorAll("tr[data-feature]")).find((one) => of(one).includes(state.chosen[0]));
    if (row) {
      const link = document.createElement("a");
      link.href = `#${row.id}`;
      link.textContent = "To its row in the table";
      status.append(link);
    }
    later();
  }
  rows.forEach((row) => {
    row.addEventListener("click", () => {
      choose(of(row));
      if (!state.chosen.length) return;
      turnTo(state.chosen);
      document.getElementById("view3d-box").scrollIntoView({ block: "nearest" });
    });
  });
  // One stop of the Tab key a table; within it the arrows lead from row to row.
  document.querySelectorAll("tbody").forEach((body) => {
    const own = Array.from(body.querySelectorAll("tr[data-feature]"));
    own.forEach((row, at) => {
      row.tabIndex = at ? -1 : 0;
      row.addEventListener("focus", () => own.forEach((one) => { one.tabIndex = one === row ? 0 : -1; }));
      row.addEventListener("keydown", (event) => {
        const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: own.length - 1 }[event.key];
        if (event.key === "Enter" || event.key === " ") row.click();
        else if (to === undefined) return;
        else if (own[to]) own[to].focus();
        event.preventDefault();
      });
    });
  });

  function turnBy(dx, dy) {
    const t = state.turn, c = Math.cos, s = Math.sin;
    const around = [c(dx), 0, s(dx), 0, 1, 0, -s(dx), 0, c(dx)];
    const over = [1, 0, 0, 0, c(dy), -s(dy), 0, s(dy), c(dy)];
    const times = (a, b) => [0, 1, 2].flatMap((i) => [0, 1, 2].map((j) => a[3 * i] * b[j] + a[3 * i + 1] * b[3 + j] + a[3 * i + 2] * b[6 + j]));
    state.turn = times(over, times(around, t));
  }
  let held = null;
  canvas.addEventListener("pointerdown", (event) => {
    held = { x: event.clientX, y: event.clientY, moved: false, slide: event.shiftKey || event.button === 2 };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    const box = canvas.getBoundingClientRect(), x = event.clientX - box.left, y = event.clientY - box.top;
    if (held) {
      const dx = event.clientX - held.x, dy = event.clientY - held.y;
      if (Math.abs(dx) + Math.abs(dy) > 3) held.moved = true;
      if (!held.moved) return;
      if (held.slide) {
        const scale = 2 / (canvas.clientHeight * state.zoom);
        state.shift = [state.shift[0] + dx * scale, state.shift[1] - dy * scale];
      } else turnBy(dx * 0.008, dy * 0.008);
      held.x = event.clientX; held.y = event.clientY;
      tip.hidden = true;
      later();
      return;
    }
    const facet = facetAt(x, y);
    tip.hidden = facet < 0;
    if (facet < 0) return;
    const feature = datums.features[labels[facet]];
    if (!deviations) {
      tip.textContent = scene.said[labels[facet]] + (origins[facet] === 1 ? ": never measured" : "");
      tip.style.transform = `translate(${Math.min(x + 14, canvas.clientWidth - 240)}px, ${y + 14}px)`;
      return;
    }
    const here = [0, 1, 2].map((k) => deviations[faces[3 * facet + k]]).map((d) => (d === UNKNOWN ? NaN : d * scene.deviation_step));
    const mean = (here[0] + here[1] + here[2]) / 3;
    const value = origins[facet] === 1 ? "filled: invented, not measured" : Number.isNaN(mean) ? "no scan near by" : scene.unit === "in"
      ? `light mesh off the scan by ${(mean / 0.0254).toFixed(2)} thou` : `light mesh off the scan by ${(1000 * mean).toFixed(0)} µm`;
    tip.textContent = `${feature ? scene.said[labels[facet]] : "no feature"}; ${value}`;
    tip.style.transform = `translate(${Math.min(x + 14, canvas.clientWidth - 240)}px, ${y + 14}px)`;
  });
  canvas.addEventListener("pointerup", (event) => {
    const was = held;
    held = null;
    if (!was || was.moved) return;
    const box = canvas.getBoundingClientRect();
    const facet = facetAt(event.clientX - box.left, event.clientY - box.top);
    choose(facet < 0 || labels[facet] < 0 ? [] : [labels[facet]]);
  });
  canvas.addEventListener("pointerleave", () => { tip.hidden = true; });
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    state.zoom *= Math.exp(-event.deltaY * 0.0012);
    later();
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const steps = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] };
    if (steps[event.key]) turnBy(...steps[event.key]);
    else if (event.key === "+" || event.key === "=") state.zoom *= 1.15;
    else if (event.key === "-") state.zoom /= 1.15;
    else if (event.key === "0") home();
    else return;
    event.preventDefault();
    later();
  });
  document.querySelectorAll("input[name=paint]").forEach((input) => {
    input.addEventListener("change", () => {
      state.mode = input.value === "kind" ? 1 : 0;
      document.getElementById("view3d-scale").hidden = state.mode === 1;
      document.getElementById("view3d-keys").hidden = state.mode === 0;
      later();
    });
  });
  window.addEventListener("resize", later);
  draw();
  document.documentElement.dataset.view = "ready";
})();

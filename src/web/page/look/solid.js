// One piece to be turned: its surface as a mesh with its own colours, drawn by WebGL.
const CORNER = `#version 300 es
in vec3 at; in vec3 normal; in vec3 colour; uniform mat3 turn; uniform vec2 scale; out vec3 shade;
void main() {
  vec3 p = turn * at; vec3 n = turn * normal;
  float light = 0.35 + 0.65 * max(0.0, dot(normalize(n), normalize(vec3(-0.4, 0.5, 0.8))));
  shade = colour * light; gl_Position = vec4(p.xy * scale, -p.z * 0.3, 1.0);
}`;
const DOT = `#version 300 es
precision mediump float; in vec3 shade; out vec4 colour; void main() { colour = vec4(shade, 1.0); }`;
const MOST_CORNERS = 250000;

// Takes the coded planes apart: heights, states, colours.
export function decodePiece(bytes, { rows, columns }) {
  const cells = rows * columns, view = new DataView(bytes.buffer, bytes.byteOffset);
  const height = Float32Array.from({ length: cells }, (_, at) => view.getFloat32(4 * at, true));
  const plane = (k) => bytes.subarray(4 * cells + k * cells, 4 * cells + (k + 1) * cells);
  return { rows, columns, height, mark: plane(0), rgb: [plane(1), plane(2), plane(3)] };
}

// Corners (place, normal, colour: nine numbers each) and triangles of a piece; walls drop from its rim to the belt.
function mesh(piece, across, along) {
  const stride = Math.max(1, Math.ceil(Math.sqrt(piece.rows * piece.columns / MOST_CORNERS)));
  const rows = Math.floor((piece.rows - 1) / stride) + 1, columns = Math.floor((piece.columns - 1) / stride) + 1;
  const z = (row, column) => {
    if (row < 0 || column < 0 || row >= rows || column >= columns) return NaN;
    return piece.height[row * stride * piece.columns + column * stride];
  };
  const corners = [], faces = [], number = new Int32Array(rows * columns).fill(-1);
  const middle = [piece.columns * across / 2, piece.rows * along / 2];
  const put = (row, column, height, normal) => {
    const from = row * stride * piece.columns + column * stride;
    const rgb = piece.mark[from] === 2 ? [1, 0.47, 0.78] : piece.rgb.map((plane) => plane[from] / 255);
    corners.push((column + 0.5) * stride * across - middle[0], (row + 0.5) * stride * along - middle[1], height, ...normal, ...rgb);
    return corners.length / 9 - 1;
  };
  const slope = (before, here, after, pitch) => {
    const [low, high] = [Number.isNaN(before) ? here : before, Number.isNaN(after) ? here : after];
    const steps = !Number.isNaN(before) + !Number.isNaN(after);
    return steps ? (high - low) / (steps * pitch) : 0;
  };
  for (let row = 0; row < rows; row++) for (let column = 0; column < columns; column++) {
    const here = z(row, column);
    if (Number.isNaN(here)) continue;
    const normal = [-slope(z(row, column - 1), here, z(row, column + 1), stride * across), -slope(z(row - 1, column), here, z(row + 1, column), stride * along), 1];
    number[row * columns + column] = put(row, column, here, normal);
  }
  const at = (row, column) => (row < 0 || column < 0 || row >= rows || column >= columns ? -1 : number[row * columns + column]);
  const wall = (row0, column0, row1, column1, normal) => {
    const top = [put(row0, column0, z(row0, column0), normal), put(row1, column1, z(row1, column1), normal)];
    const foot = [put(row0, column0, 0, normal), put(row1, column1, 0, normal)];
    faces.push(top[0], top[1], foot[0], top[1], foot[1], foot[0]);
  };
  for (let row = 0; row < rows; row++) for (let column = 0; column < columns; column++) {
    const [a, b, c, d] = [at(row, column), at(row, column + 1), at(row + 1, column), at(row + 1, column + 1)];
    if (a >= 0 && b >= 0 && c >= 0) faces.push(a, b, c);
    if (b >= 0 && c >= 0 && d >= 0) faces.push(b, d, c);
    if (a >= 0 && b >= 0 && (at(row - 1, column) < 0 || at(row - 1, column + 1) < 0)) wall(row, column, row, column + 1, [0, -1, 0]);
    if (a >= 0 && b >= 0 && (c < 0 || d < 0)) wall(row, column, row, column + 1, [0, 1, 0]);
    if (a >= 0 && c >= 0 && (at(row, column - 1) < 0 || at(row + 1, column - 1) < 0)) wall(row, column, row + 1, column, [-1, 0, 0]);
    if (a >= 0 && c >= 0 && (b < 0 || d < 0)) wall(row, column, row + 1, column, [1, 0, 0]);
  }
  return { corners: new Float32Array(corners), faces: new Uint32Array(faces), reach: Math.hypot(...middle) };
}

// A canvas with the piece on it: drag or arrow keys turn it, wheel or plus and minus zoom.
export class Solid {
  constructor(canvas, piece, across, along) {
    this.canvas = canvas;
    const gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
    if (!gl) throw new Error("this browser draws no WebGL");
    this.gl = gl;
    const { corners, faces, reach } = mesh(piece, across, along);
    this.count = faces.length;
    this.reach = reach;
    const program = gl.createProgram();
    for (const [kind, source] of [[gl.VERTEX_SHADER, CORNER], [gl.FRAGMENT_SHADER, DOT]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, source); gl.compileShader(shader); gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
    gl.useProgram(program);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer()); gl.bufferData(gl.ARRAY_BUFFER, corners, gl.STATIC_DRAW);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer()); gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, faces, gl.STATIC_DRAW);
    ["at", "normal", "colour"].forEach((name, k) => {
      const place = gl.getAttribLocation(program, name);
      gl.enableVertexAttribArray(place); gl.vertexAttribPointer(place, 3, gl.FLOAT, false, 36, 12 * k);
    });
    this.turn = gl.getUniformLocation(program, "turn");
    this.scale = gl.getUniformLocation(program, "scale");
    gl.enable(gl.DEPTH_TEST);
    [this.yaw, this.tilt, this.zoom] = [0.5, 1.0, 1];
    this.listen();
    this.draw();
  }
  draw() {
    const { gl, canvas } = this, ratio = devicePixelRatio || 1;
    canvas.width = canvas.clientWidth * ratio; canvas.height = canvas.clientHeight * ratio;
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(0.16, 0.18, 0.2, 1); gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    const [c, s, k, t] = [Math.cos(this.yaw), Math.sin(this.yaw), Math.cos(this.tilt), Math.sin(this.tilt)];
    // Turned about the upright, then tipped towards the viewer; by columns.
    const one = 1 / this.reach;
    gl.uniformMatrix3fv(this.turn, false, [c, s * k, -s * t, -s, c * k, -c * t, 0, t, k].map((it) => it * one));
    const side = Math.min(canvas.width, canvas.height);
    gl.uniform2f(this.scale, 0.95 * this.zoom * side / canvas.width, 0.95 * this.zoom * side / canvas.height);
    gl.drawElements(gl.TRIANGLES, this.count, gl.UNSIGNED_INT, 0);
  }
  listen() {
    const canvas = this.canvas;
    let last = null;
    const by = (yaw, tilt) => { this.yaw += yaw; this.tilt = Math.min(1.57, Math.max(0, this.tilt + tilt)); this.draw(); };
    canvas.onpointerdown = (event) => { canvas.setPointerCapture(event.pointerId); last = event; };
    canvas.onpointermove = (event) => { if (last) { by((event.clientX - last.clientX) / 120, (last.clientY - event.clientY) / 120); last = event; } };
    canvas.onpointerup = canvas.onpointercancel = () => { last = null; };
    const zoom = (factor) => { this.zoom = Math.min(20, Math.max(0.3, this.zoom * factor)); this.draw(); };
    canvas.onwheel = (event) => { event.preventDefault(); zoom(Math.exp(-event.deltaY / 400)); };
    canvas.onkeydown = (event) => {
      const turn = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[event.key];
      if (turn) by(...turn); else if (event.key === "+") zoom(1.2); else if (event.key === "-") zoom(1 / 1.2); else return;
      event.preventDefault();
    };
    this.watch = new ResizeObserver(() => this.draw());
    this.watch.observe(canvas);
  }
  close() { this.watch.disconnect(); this.gl.getExtension("WEBGL_lose_context")?.loseContext(); }
}

"use strict"
const at = (id) => document.getElementById(id)
const D = JSON.parse(at("data").textContent)
const numbers = (coded, Kind) => {
  const text = atob(coded), bytes = new Uint8Array(text.length)
  for (let k = 0; k < bytes.length; k++) bytes[k] = text.charCodeAt(k)
  return new Kind(bytes.buffer)
}
const {nx, ny, space, isMap} = D
const layers = D.layers.map((one) => ({...one, values: numbers(one.values, Float32Array)}))
const axis = numbers(D.axis, Float64Array)
const spectra = numbers(D.spectra, Float32Array)
const states = numbers(D.states, Uint16Array)
const lines = D.lines.map((one) => ({...one, values: numbers(one.values, Float32Array)}))
const curve = {kind: "curve", values: new Float64Array(axis.length)}
const blocksAcross = Math.ceil(nx / space)
const view = {layer: layers[0], chosen: null, hidden: new Set(), zoom: null, count: 0}

// Words

const number = (value, digits = 3) => Number.isFinite(value)
  ? String(Number(value.toPrecision(digits))).replaceAll("-", "−") : "–"
const withUnit = (value) => `${number(value)} ${view.layer.unit}`.trim()
const middle = (edges, k) => (edges[k] + edges[k + 1]) / 2
const place = (k) => isMap
  ? `x ${number(middle(D.x, k % nx), 5)} ${D.unit}, y ${number(middle(D.y, Math.floor(k / nx)), 5)} ${D.unit}`
  : D.names[k]
const isValid = (k) => D.valid[states[k]]
const counted = (n, one, more = `${one}s`) => `${n} ${n === 1 ? one : more}`

function pixelWords(k) {
  const {values, limit, name, diverging} = view.layer, value = values[k]
  if (!isValid(k)) return `${place(k)}: ${D.words[states[k]]}`
  if (!Number.isFinite(value)) return `${place(k)}: ${name} not known here`
  const side = value > limit ? "above" : diverging && value < -limit ? "below minus" : "not above"
  const beside = limit === null ? "" : `, ${side} the pixel limit ${number(limit)}`
  return `${place(k)}: ${name} ${withUnit(value)}${beside}; ${D.words[states[k]]}`
}

function chosenWords(pixels, count) {
  if (view.chosen === null) {
    return `Mean of all ${counted(count, "valid spectrum", "valid spectra")}. ` +
      (isMap ? "Click a pixel or drag a box." : "Click a dot, drag over several, or use the list.")
  }
  if (pixels.length === 1) {
    const words = pixelWords(pixels[0])
    return space === 1 ? words
      : `${words}. Spectrum: mean of ${count} valid pixels in the dashed square.`
  }
  const {values, limit, name} = view.layer
  const used = pixels.filter(isValid)
  const known = used.filter((k) => Number.isFinite(values[k]))
  const mean = known.reduce((sum, k) => sum + values[k], 0) / known.length
  const above = limit === null ? ""
    : `, ${used.filter((k) => values[k] > limit).length} above the pixel limit`
  return `Mean of ${counted(count, "valid spectrum", "valid spectra")} of ${pixels.length}, ` +
    `${pixels.length - used.length} left out: ${name} ${withUnit(mean)}${above}`
}

// What is chosen: nothing, a box of pixels, or a list of points

function pixelsOf(chosen) {
  if (chosen === null) return Array.from(states, (_, k) => k)
  if (!isMap) return chosen
  const found = []
  for (let row = chosen.row; row < chosen.row + chosen.high; row++)
    for (let column = chosen.column; column < chosen.column + chosen.wide; column++)
      found.push(row * nx + column)
  return found
}

// A box of several pixels covers whole squares of averaged spectra, so that its score and its
// spectrum are of the same pixels.
function boxOf(column, row, wide, high) {
  const within = (first, length, size) => {
    let low = Math.min(Math.max(first, 0), size - 1)
    let end = Math.min(Math.max(first + length, low + 1), size)
    if (wide * high > 1) {
      low = Math.floor(low / space) * space
      end = Math.min(Math.ceil(end / space) * space, size)
    }
    return [low, end - low]
  }
  const across = within(column, wide, nx), up = within(row, high, ny)
  return {column: across[0], row: up[0], wide: across[1], high: up[1]}
}

function choose(chosen) {
  view.chosen = chosen
  const pixels = pixelsOf(chosen)
  const blocks = new Set(isMap ? pixels.map((k) =>
    Math.floor(Math.floor(k / nx) / space) * blocksAcross + Math.floor((k % nx) / space)) : pixels)
  const used = [...blocks].filter((k) => D.weight[k] > 0)
  const count = used.reduce((sum, k) => sum + D.weight[k], 0)
  curve.values = new Float64Array(axis.length)
  const shown = used.length ? used : [...blocks]
  let total = 0
  for (const block of shown) {
    const weight = Math.max(D.weight[block], 1)
    total += weight
    for (let k = 0; k < axis.length; k++)
      curve.values[k] += weight * spectra[block * axis.length + k]
  }
  for (let k = 0; k < axis.length; k++) curve.values[k] /= total
  view.count = count
  if (isMap) for (const id of ["column", "row", "wide", "high"]) at(id).value = chosen?.[id] ?? ""
  else {
    const listed = new Set(chosen)
    for (const [k, option] of [...at("list").options].entries()) option.selected = listed.has(k)
  }
  say()
  drawChosen()
  drawSpectrum()
}

function say() {
  at("said").textContent = chosenWords(pixelsOf(view.chosen), view.count)
}

// Drawing

const NS = "http://www.w3.org/2000/svg"
function add(parent, tag, attributes = {}, text = null) {
  const made = document.createElementNS(NS, tag)
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value)
  if (text !== null) made.textContent = text
  parent.append(made)
  return made
}

function canvas(id, height) {
  const width = Math.max(at(id).clientWidth, 160)
  const made = document.createElementNS(NS, "svg")
  made.setAttribute("viewBox", `0 0 ${width} ${height(width)}`)
  made.setAttribute("height", height(width))
  made.setAttribute("aria-hidden", "true")
  at(id).replaceChildren(made)
  return [made, width]
}

function ticks(low, high, wanted) {
  const rough = (high - low) / wanted, base = 10 ** Math.floor(Math.log10(rough))
  const step = [1, 2, 5, 10].map((k) => k * base).find((one) => one >= rough * 0.999)
  const found = []
  for (let k = Math.ceil(low / step); k * step <= high; k++) found.push(Number((k * step).toPrecision(9)))
  return found
}

function drawAxis(svg, {left, top, width, height}, xs, ys, xOf, yOf, xWords, yWords) {
  add(svg, "rect", {x: left, y: top, width, height, class: "axis"})
  for (const value of xs) {
    add(svg, "path", {d: `M${xOf(value)} ${top + height}v4`, class: "axis"})
    add(svg, "text", {x: xOf(value), y: top + height + 15, "text-anchor": "middle"}, number(value, 6))
  }
  for (const value of ys) {
    add(svg, "path", {d: `M${left} ${yOf(value)}h-4`, class: "axis"})
    add(svg, "text", {x: left - 6, y: yOf(value) + 4, "text-anchor": "end"}, number(value, 4))
  }
  add(svg, "text", {x: left + width / 2, y: top + height + 30, "text-anchor": "middle"}, xWords)
  add(svg, "text", {transform: `translate(11,${top + height / 2}) rotate(-90)`, "text-anchor": "middle"},
      yWords)
}

// A picture of the scores, a pixel each, the lowest row first; left-out pixels are clear.
function paint(layer) {
  const made = document.createElement("canvas")
  made.width = nx
  made.height = ny
  const image = made.getContext("2d").createImageData(nx, ny)
  const colours = layer.palette.map((hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16)))
  const shareOf = (value) => (value - layer.low) / (layer.high - layer.low) * colours.length
  const last = colours.length - 1
  const paler = layer.limit === null ? -1 : Math.floor(shareOf(layer.limit) - 0.5)
  const from = layer.diverging && layer.limit !== null ? last - paler : 0
  layer.values.forEach((value, k) => {
    if (Number.isNaN(value)) return
    const [first, end] = layer.limit === null ? [0, last] : value > layer.limit ? [paler + 1, last]
      : from && value < -layer.limit ? [0, from - 1] : [from, paler]
    const colour = colours[Math.min(Math.max(Math.floor(shareOf(value)), first, 0), Math.max(end, 0), last)]
    for (let part = 0; part < 3; part++) image.data[4 * k + part] = colour[part]
    image.data[4 * k + 3] = 255
  })
  made.getContext("2d").putImageData(image, 0, 0)
  return made.toDataURL()
}

// Along the edges of the pixels above the limit, or below minus it, closed at the border of the map.
function limitPath({values, limit}, sign = 1) {
  if (limit === null) return ""
  const above = (column, row) =>
    column >= 0 && row >= 0 && column < nx && row < ny && sign * values[row * nx + column] > limit
  const parts = []
  for (let row = 0; row <= ny; row++) {
    for (let column = 0; column <= nx; column++) {
      const here = above(column, row)
      if (here !== above(column - 1, row)) parts.push(`M${column} ${row}v1`)
      if (here !== above(column, row - 1)) parts.push(`M${column} ${row}h1`)
    }
  }
  return parts.join("")
}

const map = {}
function drawMap() {
  map.picture = paint(view.layer)
  const span = (edges) => edges.at(-1) - edges[0]
  const aspect = Math.min(Math.max(span(D.y) / span(D.x), D.strip), 1 / D.strip)
  const most = 460, left = 52, foot = 36
  const [svg, width] = canvas("map", (all) => Math.min((all - left - 8) * aspect, most) + foot + 6)
  const height = Math.min((width - left - 8) * aspect, most)
  const frame = {left, top: 6, width: height / aspect, height}
  Object.assign(map, {svg, frame, xOf: (u) => left + u / nx * frame.width,
                      yOf: (v) => frame.top + height - v / ny * height})
  const pattern = add(add(svg, "defs"), "pattern",
                      {id: "hatching", width: 5, height: 5, patternUnits: "userSpaceOnUse",
                       patternTransform: "rotate(45)"})
  add(pattern, "rect", {width: 5, height: 5, class: "masked"})
  add(pattern, "path", {d: "M0 0V5", class: "hatch"})
  add(svg, "rect", {x: left, y: 6, width: frame.width, height, fill: "url(#hatching)"})
  map.group = add(svg, "g", {transform: `translate(${left},${frame.top + height}) ` +
                                        `scale(${frame.width / nx},${-height / ny})`})
  add(map.group, "image", {href: map.picture, width: nx, height: ny, preserveAspectRatio: "none"})
  const kept = D.words.map((words, k) => D.valid[k] && words.startsWith("kept"))
  let dots = ""
  states.forEach((state, k) => {
    if (kept[state]) dots += `M${k % nx + 0.5} ${Math.floor(k / nx) + 0.5}h0`
  })
  const size = Math.min(Math.max(0.35 * Math.min(frame.width / nx, height / ny), 1), 5)
  add(map.group, "path", {d: dots, class: "kept", "stroke-width": size})
  add(map.group, "path", {d: limitPath(view.layer), class: "limit", id: "limit"})
  if (view.layer.diverging)
    add(map.group, "path", {d: limitPath(view.layer, -1), class: "limit below", id: "below"})
  map.marks = add(map.group, "g")
  const between = (edges, n) => (value) => (value - edges[0]) / span(edges) * n
  const [u, v] = [between(D.x, nx), between(D.y, ny)]
  const unit = D.unit === "pixel" ? "pixel" : D.unit
  drawAxis(svg, frame, ticks(D.x[0], D.x.at(-1), frame.width / 60),
           ticks(D.y[0], D.y.at(-1), Math.max(height / 50, 1)),
           (x) => map.xOf(u(x)), (y) => map.yOf(v(y)), `x (${unit})`, `y (${unit})`)
}

function drawDots() {
  const {values, limit} = view.layer, known = values.filter(Number.isFinite)
  const ends = limit === null ? known : [...known, limit]
  let low = ends.length ? Math.min(...ends) : 0, high = ends.length ? Math.max(...ends) : 1
  const room = (high - low || 1) * 0.08
  low -= room
  high += room
  const left = 52, height = 190
  const [svg, width] = canvas("map", () => height + 42)
  const frame = {left, top: 6, width: width - left - 8, height}
  Object.assign(map, {svg, frame, xOf: (u) => left + u / nx * frame.width,
                      yOf: (value) => 6 + (high - value) / (high - low) * height})
  map.marks = add(svg, "g")
  let dots = ""
  values.forEach((value, k) => {
    if (Number.isFinite(value)) dots += `M${map.xOf(k + 0.5)} ${map.yOf(value)}h0`
  })
  add(svg, "path", {d: dots, class: "dots"})
  if (limit !== null)
    add(svg, "path", {d: `M${left} ${map.yOf(limit)}h${frame.width}`, class: "limit plain", id: "limit"})
  drawAxis(svg, frame, ticks(0, nx - 1, Math.min(nx - 1, frame.width / 60) || 1).filter(Number.isInteger),
           ticks(low, high, 4), (k) => map.xOf(k + 0.5), map.yOf, "spectrum number", "score")
}

// One outline round a selection, over a white one, so that it is seen on every colour.
function drawChosen() {
  map.marks.replaceChildren()
  const {chosen} = view
  if (chosen === null) return
  if (!isMap) {
    const d = chosen.map((k) => `M${map.xOf(k + 0.5)} ${map.yOf(view.layer.values[k])}h0`)
    add(map.marks, "path", {d: d.filter((one) => !one.includes("NaN")).join(""), class: "picked"})
    return
  }
  const {column, row, wide, high} = chosen
  const box = {x: column, y: row, width: wide, height: high}
  add(map.marks, "rect", {...box, class: "halo"})
  add(map.marks, "rect", {...box, class: "chosen", id: "chosen"})
  if (space > 1 && wide * high === 1) {
    const first = (k) => Math.floor(k / space) * space
    add(map.marks, "rect", {x: first(column), y: first(row), class: "block",
                            width: Math.min(space, nx - first(column)),
                            height: Math.min(space, ny - first(row))})
  }
}

function drawBar() {
  const {low, high, limit, palette, name, diverging} = view.layer
  at("bar").setAttribute("aria-label", `Colours from ${withUnit(low)} to ${withUnit(high)}` +
    (limit === null ? "" : `; paler up to the pixel limit ${withUnit(limit)}`))
  const [svg, width] = canvas("bar", () => 46)
  const left = 52, length = width - left - 20
  const xOf = (value) => left + (value - low) / (high - low) * length
  palette.forEach((fill, k) => add(svg, "rect", {x: left + k * length / palette.length, y: 2, fill,
                                                 width: length / palette.length + 0.7, height: 10}))
  for (const value of ticks(low, high, Math.max(length / 70, 2))) {
    add(svg, "path", {d: `M${xOf(value)} 12v4`, class: "axis"})
    add(svg, "text", {x: xOf(value), y: 27, "text-anchor": "middle"}, number(value, 4))
  }
  for (const line of limit === null ? [] : diverging ? [limit, -limit] : [limit])
    if (line >= low && line <= high) add(svg, "path", {d: `M${xOf(line)} 0v14`, class: "limit plain"})
  add(svg, "text", {x: left + length / 2, y: 42, "text-anchor": "middle"},
      view.layer.unit ? `${name} (${view.layer.unit})` : name)
}

const plot = {}
function drawSpectrum() {
  const all = [axis[0], axis.at(-1)]
  const [low, high] = view.zoom ?? (all[0] < all[1] ? all : [all[0] - 1, all[0] + 1])
  const [svg, width] = canvas("spectrum", () => 320)
  const frame = {left: 58, top: 6, width: width - 68, height: 272}
  const drawn = [...lines, curve].filter((one) => !view.hidden.has(one.kind))
  let bottom = Infinity, top = -Infinity
  for (const {values} of drawn) values.forEach((value, k) => {
    if (axis[k] >= low && axis[k] <= high && Number.isFinite(value)) {
      bottom = Math.min(bottom, value)
      top = Math.max(top, value)
    }
  })
  if (bottom > top) [bottom, top] = [0, 1]
  const span = top - bottom || 1
  bottom -= 0.04 * span
  top += (D.windows.length ? 0.45 : 0.06) * span
  const xOf = (value) => frame.left + (high - value) / (high - low) * frame.width
  const yOf = (value) => frame.top + (top - value) / (top - bottom) * frame.height
  Object.assign(plot, {frame, low, high})
  add(add(add(svg, "defs"), "clipPath", {id: "inside"}), "rect",
      {x: frame.left, y: frame.top, width: frame.width, height: frame.height})
  const inside = add(svg, "g", {"clip-path": "url(#inside)"})
  const stripe = ([from, to], name) => add(inside, "rect", {
    x: xOf(to), y: frame.top, width: xOf(from) - xOf(to), height: frame.height, class: name})
  for (const [, from, to] of D.windows) stripe([from, to], "windows")
  if (view.layer.window) stripe(view.layer.window, "band").id = "band"
  for (const {kind, values} of drawn) {
    let d = "", pen = "M"
    values.forEach((value, k) => {
      if (Number.isFinite(value)) d += `${pen}${xOf(axis[k]).toFixed(2)} ${yOf(value).toFixed(2)}`
      pen = Number.isFinite(value) ? "L" : "M"
    })
    add(inside, "path", {d, class: kind.split(" ")[0]})
  }
  for (const [name, from, to] of D.windows) {
    add(inside, "text", {transform: `translate(${xOf((from + to) / 2) + 4},${frame.top + 4}) rotate(-90)`,
                         "text-anchor": "end", class: "names"}, name)
  }
  drawAxis(svg, frame, ticks(low, high, frame.width / 70), ticks(bottom, top, 5), xOf, yOf,
           "wavenumber (cm⁻¹)", D.quantity)
  at("from").value = Number(high.toPrecision(6))
  at("to").value = Number(low.toPrecision(6))
}

function draw() {
  if (isMap) {
    drawMap()
    drawBar()
  } else drawDots()
  drawChosen()
  drawSpectrum()
  document.dispatchEvent(new Event("drawn"))
}

function show(k) {
  view.layer = layers[k]
  at("counts").textContent = view.layer.words
  say()
  draw()
}

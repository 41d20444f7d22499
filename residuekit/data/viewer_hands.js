// Pointer, keys and fields
"use strict"

// Where an event lies: x and y of the drawing, in its own units.
function within(svg, event) {
  const {left, top, width} = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / width
  return [(event.clientX - left) * scale, (event.clientY - top) * scale]
}

// The exact place on the map, in pixels from its lower left corner.
function onMap(event) {
  const [x, y] = within(map.svg, event), {left, top, width, height} = map.frame
  return [(x - left) / width * nx, (top + height - y) / height * ny]
}

const held = (value, size) => Math.min(Math.max(Math.floor(value), 0), size - 1)

function span(from, to) {
  const [columns, rows] = [[from[0], to[0]], [from[1], to[1]]].map((pair, k) =>
    pair.map((value) => held(value, k ? ny : nx)).sort((a, b) => a - b))
  if (isMap)
    return boxOf(columns[0], rows[0], columns[1] - columns[0] + 1, rows[1] - rows[0] + 1)
  return Array.from({length: columns[1] - columns[0] + 1}, (_, k) => columns[0] + k)
}

function drag(id, start, move, end) {
  let from = null
  at(id).addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return
    from = start(event)
    at(id).setPointerCapture(event.pointerId)
  })
  at(id).addEventListener("pointermove", (event) => { if (from !== null) move(from, event) })
  at(id).addEventListener("pointerup", (event) => {
    if (from !== null) end(from, event)
    from = null
  })
  at(id).addEventListener("pointercancel", () => { from = null; drawChosen() })
}

drag("map", (event) => onMap(event), (from, event) => {
  const before = view.chosen
  view.chosen = span(from, onMap(event))
  drawChosen()
  view.chosen = before
}, (from, event) => {
  const [u, v] = onMap(event)
  if (u >= 0 && u <= nx) document.dispatchEvent(new CustomEvent("place", {detail: [u, v]}))
  choose(span(from, [u, v]))
})

const wavenumber = (event) => {
  const {left, width} = plot.frame
  return plot.high - (within(at("spectrum").firstChild, event)[0] - left) / width * (plot.high - plot.low)
}

function zoom(one, other) {
  const ends = [one, other].map((v) => Math.min(Math.max(v, axis[0]), axis.at(-1))).sort((a, b) => a - b)
  view.zoom = ends[1] > ends[0] && ends.every(Number.isFinite) ? ends : null
  drawSpectrum()
}

drag("spectrum", wavenumber, () => {}, (from, event) => {
  if (Math.abs(wavenumber(event) - from) > 0.02 * (plot.high - plot.low)) zoom(from, wavenumber(event))
})

at("map").addEventListener("keydown", (event) => {
  const step = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1]}[event.key]
  if (event.key === "Escape") choose(null)
  if (!step) return
  event.preventDefault()
  const {chosen} = view
  if (!isMap) {
    const last = chosen === null ? -1 : chosen.at(-1)
    const next = held(last + step[0] + step[1], nx)
    choose(event.shiftKey && chosen !== null ? [...new Set([...chosen, next])] : [next])
  } else if (chosen === null) choose(boxOf(0, 0, 1, 1))
  else if (event.shiftKey) {
    const grow = chosen.wide * chosen.high === 1 ? [1, 1] : [space, space]
    choose(boxOf(chosen.column, chosen.row, Math.max(chosen.wide + step[0] * grow[0], 1),
                 Math.max(chosen.high + step[1] * grow[1], 1)))
  } else choose(boxOf(held(chosen.column + step[0], nx), held(chosen.row + step[1], ny), 1, 1))
})

at("map").addEventListener("pointermove", (event) => {
  const [u, v] = onMap(event)
  const inside = u >= 0 && u < nx && (!isMap || (v >= 0 && v < ny))
  at("pointer").textContent = inside
    ? `Under the pointer: ${pixelWords(held(u, nx) + (isMap ? nx * held(v, ny) : 0))}` : ""
})
at("spectrum").addEventListener("pointermove", (event) => {
  const here = wavenumber(event)
  let nearest = 0
  axis.forEach((value, k) => { if (Math.abs(value - here) < Math.abs(axis[nearest] - here)) nearest = k })
  at("pointer").textContent =
    `Under the pointer: ${number(axis[nearest], 6)} cm⁻¹, chosen ${number(curve.values[nearest], 4)}`
})

at("score").addEventListener("change", (event) => show(Number(event.target.value)))
at("all").addEventListener("click", () => choose(null))
at("whole").addEventListener("click", () => zoom(NaN, NaN))
for (const id of ["from", "to"])
  at(id).addEventListener("change", () => zoom(at("from").valueAsNumber, at("to").valueAsNumber))
if (isMap) {
  for (const id of ["column", "row", "wide", "high"]) {
    at(id).max = (id === "column" || id === "wide" ? nx : ny) - (id === "column" || id === "row")
    at(id).addEventListener("change", () => {
      const typed = (name, otherwise) => Math.floor(at(name).valueAsNumber) || otherwise
      if (at(id).value === "") choose(null)
      else choose(boxOf(held(typed("column", 0), nx), held(typed("row", 0), ny),
                        Math.max(typed("wide", 1), 1), Math.max(typed("high", 1), 1)))
    })
  }
} else {
  at("list").addEventListener("change", (event) => {
    const picked = [...event.target.selectedOptions].map((option) => Number(option.value))
    choose(picked.length ? picked : null)
  })
}
for (const box of document.querySelectorAll("[data-line]")) {
  box.addEventListener("change", () => {
    view.hidden[box.checked ? "delete" : "add"](box.dataset.line)
    drawSpectrum()
  })
}
at("save").addEventListener("click", () => {
  const every = [...lines.map((one) => [one.words, one.values]), ["chosen", curve.values]]
  const quoted = (text) => `"${text.replaceAll('"', '""')}"`
  const head = ["wavenumber (cm-1)", ...every.map(([words]) => quoted(words))].join(",")
  const rows = Array.from(axis, (value, k) => [value, ...every.map(([, values]) => values[k])].join(","))
  const link = document.createElement("a")
  link.href = URL.createObjectURL(new Blob([[head, ...rows, ""].join("\n")], {type: "text/csv"}))
  link.download = "spectrum.csv"
  link.click()
  URL.revokeObjectURL(link.href)
})

// In a notebook: the frame is told the height of the page, the page the lightness of the letters.
function tellHeight() {
  if (parent !== window)
    parent.postMessage({height: Math.ceil(document.body.getBoundingClientRect().height) + 2}, "*")
}
addEventListener("message", (event) => {
  if (event.source !== parent || parent === window) return
  document.documentElement.dataset.theme = event.data.dark ? "dark" : "light"
  tellHeight()
})
let drawnWidth = document.body.clientWidth
new ResizeObserver(() => {
  if (document.body.clientWidth !== drawnWidth) {
    drawnWidth = document.body.clientWidth
    draw()
  }
  tellHeight()
}).observe(document.body)

show(0)
choose(null)

// The map over a picture in visible light: three points in both give the six numbers of study.toml.
"use strict"
const photo = {...(D.photo ?? {url: null, columns: 0, rows: 0, affine: null})}
const fields = [...document.querySelectorAll("#photo tbody tr")].map((row) => [...row.querySelectorAll("input")])
const points = () => fields.map((row) => row.map((field) => field.valueAsNumber))
const isTyped = (numbers) => numbers.every(Number.isFinite)
const six = (affine) => affine.map((value) => Number(value.toPrecision(6)))

// The a, b, c, d, e, f with column = a x + b y + c, row = d x + e y + f; null for points on a line.
function affineOf([[x1, y1, c1, r1], [x2, y2, c2, r2], [x3, y3, c3, r3]]) {
  const [ux, uy, vx, vy] = [x2 - x1, y2 - y1, x3 - x1, y3 - y1], area = ux * vy - vx * uy
  const onPicture = (c2 - c1) * (r3 - r1) - (c3 - c1) * (r2 - r1)
  const flat = 1e-3
  if (!(Math.abs(area) > flat * Math.hypot(ux, uy) * Math.hypot(vx, vy)) ||
      !(Math.abs(onPicture) > flat * Math.hypot(c2 - c1, r2 - r1) * Math.hypot(c3 - c1, r3 - r1))) return null
  const solve = (t1, t2, t3) => {
    const a = ((t2 - t1) * vy - (t3 - t1) * uy) / area
    const b = (ux * (t3 - t1) - vx * (t2 - t1)) / area
    return [a, b, t1 - a * x1 - b * y1]
  }
  return [...solve(c1, c2, c3), ...solve(r1, r2, r3)]
}

function nextStep() {
  const given = points(), open = given.findIndex((point) => !isTyped(point))
  if (photo.url === null) return "Choose a picture first. It stays on this computer."
  if (open < 0) {
    if (!photo.affine) return "The three points lie on one line: choose others."
    const [a, b, , d, e] = photo.affine
    return (a * e - b * d > 0 ? "The picture shows the map mirrored: check the points. " : "") +
      "The map is placed. Three points always fit: look whether a fourth does."
  }
  if (photo.affine) return "Placed by the numbers below. To place it anew, click a point in the picture."
  return isTyped(given[open].slice(2))
    ? `Point ${open + 1} of 3: now click the same spot in the map.`
    : `Point ${open + 1} of 3: click a spot in the picture that can be seen in the map.`
}

function drawStage() {
  if (!at("photo").open || photo.url === null) {
    at("stage").replaceChildren()
    return
  }
  const [svg] = canvas("stage", (width) => width * photo.rows / photo.columns)
  svg.setAttribute("viewBox", `0 0 ${photo.columns} ${photo.rows}`)
  add(svg, "image", {href: photo.url, width: photo.columns, height: photo.rows, class: "photo",
                     preserveAspectRatio: "none"})
  if (photo.affine) {
    const [a, b, c, d, e, f] = photo.affine
    const [dx, dy] = [(D.x.at(-1) - D.x[0]) / nx, (D.y.at(-1) - D.y[0]) / ny]
    const over = add(svg, "g", {id: "over", transform: `matrix(${[a * dx, d * dx, b * dy, e * dy,
      a * D.x[0] + b * D.y[0] + c + 0.5, d * D.x[0] + e * D.y[0] + f + 0.5].join(" ")})`})
    add(over, "image", {href: map.picture, width: nx, height: ny, preserveAspectRatio: "none",
                        opacity: at("opacity").value / 100})
    add(over, "path", {d: limitPath(view.layer), class: "limit"})
    for (const name of ["halo", "chosen"]) add(over, "rect", {width: nx, height: ny, class: name})
  }
  const size = photo.columns / at("stage").clientWidth * 9
  points().forEach(([, , column, row], k) => {
    if (!isTyped([column, row])) return
    const [x, y] = [column + 0.5, row + 0.5]
    for (const name of ["halo", "chosen"])
      add(svg, "path", {d: `M${x - size} ${y}h${2 * size}M${x} ${y - size}v${2 * size}`, class: name})
    const words = add(svg, "text", {x: x + size / 3, y: y - size / 3, class: "mark"}, k + 1)
    Object.assign(words.style, {fontSize: `${2 * size}px`, strokeWidth: size / 3})
  })
}

function update() {
  at("step").textContent = nextStep()
  at("affine").textContent = photo.affine ? `image_affine = [${six(photo.affine).join(", ")}]` : ""
  drawStage()
}

function typed() {
  if (points().every(isTyped)) photo.affine = affineOf(points())
  else if (points().some((point) => point.some(Number.isFinite))) photo.affine = null
  update()
}

function begin(more) {
  Object.assign(photo, {affine: null}, more)
  for (const field of fields.flat()) field.value = ""
  update()
}

at("file").addEventListener("change", (event) => {
  const [file] = event.target.files
  if (!file) return
  const url = URL.createObjectURL(file), image = new Image()
  image.onload = () => begin({url, columns: image.naturalWidth, rows: image.naturalHeight})
  image.onerror = () => { at("step").textContent = `${file.name} is no picture that this browser can show.` }
  image.src = url
})
at("stage").addEventListener("click", (event) => {
  const open = fields.find((row) => !isTyped(row.map((field) => field.valueAsNumber)))
  if (photo.url === null || !open) return
  const [column, row] = within(at("stage").firstChild, event)
  open[2].value = Number((column - 0.5).toFixed(2))
  open[3].value = Number((row - 0.5).toFixed(2))
  typed()
})
document.addEventListener("place", ({detail: [u, v]}) => {
  const open = fields.find((row) => !isTyped(row.map((field) => field.valueAsNumber)))
  if (!open || !isTyped([open[2].valueAsNumber, open[3].valueAsNumber])) return
  const exact = (edges, k, n) => edges[0] + k / n * (edges.at(-1) - edges[0])
  open[0].value = Number(exact(D.x, u, nx).toFixed(3))
  open[1].value = Number(exact(D.y, v, ny).toFixed(3))
  typed()
})
for (const field of fields.flat()) field.addEventListener("change", typed)
at("again").addEventListener("click", () => begin({}))
at("opacity").addEventListener("input", drawStage)
at("photo").addEventListener("toggle", drawStage)
document.addEventListener("drawn", drawStage)
at("copy").addEventListener("click", () => {
  getSelection().selectAllChildren(at("affine"))
  document.execCommand("copy")
})
update()

// Reads DXF files with dxf-parser and prints, for each, every entity of model space that it knows, with
// inserts written out: kind, layer, and the points by which it is known (ends, corners, centre).
// What dxf-parser makes of the bytes is its own; placing the copies is ours, written a second time.
import { readFileSync } from 'node:fs'
import { createRequire } from 'node:module'

const require = createRequire(import.meta.url)
const Parser = require('dxf-parser').default ?? require('dxf-parser')
const colours = require('dxf-parser/dist/AutoCadColorIndex.js').default

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
const unit = (a) => a.map((v) => v / Math.hypot(...a))
const vector = (p) => [p?.x ?? 0, p?.y ?? 0, p?.z ?? 0]

// plane gives the map out of the plane that faces the normal.
function plane(e) {
  let n = e.extrusionDirection ? vector(e.extrusionDirection)
    : e.extrusionDirectionZ !== undefined ? [e.extrusionDirectionX ?? 0, e.extrusionDirectionY ?? 0, e.extrusionDirectionZ] : [0, 0, 1]
  n = unit(n)
  const x = unit(Math.abs(n[0]) < 1 / 64 && Math.abs(n[1]) < 1 / 64 ? cross([0, 1, 0], n) : cross([0, 0, 1], n))
  const y = cross(n, x)
  return ([a, b, c]) => [0, 1, 2].map((k) => a * x[k] + b * y[k] + c * n[k])
}

function points(e) {
  const flat = plane(e)
  switch (e.type) {
    case 'LINE': { // one without length is no line to draw
      const [a, b] = e.vertices.map(vector)
      return a.every((v, k) => v === b[k]) ? [] : [a, b]
    }
    case 'CIRCLE': return [flat([e.center.x + e.radius, e.center.y, e.center.z ?? 0])]
    case 'ARC': return [e.startAngle, e.endAngle].map((a) =>
      flat([e.center.x + e.radius * Math.cos(a), e.center.y + e.radius * Math.sin(a), e.center.z ?? 0]))
    case 'ELLIPSE': { // the start, for ellipses that face the viewer
      const [c, m] = [vector(e.center), vector(e.majorAxisEndPoint)]
      const [cos, sin] = [Math.cos(e.startAngle), Math.sin(e.startAngle) * e.axisRatio]
      return [[c[0] + m[0] * cos - m[1] * sin, c[1] + m[1] * cos + m[0] * sin, c[2]]]
    }
    case 'LWPOLYLINE': return e.vertices.map((v) => flat([v.x, v.y, e.elevation ?? 0]))
    case 'POLYLINE':
      if (e.is3dPolygonMesh || e.isPolyfaceMesh) return null
      return e.vertices.filter((v) => !v.splineControlPoint).map((v) => (e.is3dPolyline ? vector(v) : flat(vector(v))))
    case 'SPLINE': return [vector(e.controlPoints[0]), vector(e.controlPoints.at(-1))] // knots are clamped in all files
  }
  return null
}

function expand(drawing, entities, to, layer, out) {
  for (const e of entities) {
    if (e.inPaperSpace || e.visible === false) {
      out.push({ kind: 'left out', layer: e.layer ?? '', points: [] })
      continue
    }
    const on = layer !== null && (e.layer ?? '0') === '0' ? layer : (e.layer ?? '0')
    if (e.type !== 'INSERT') {
      const known = points(e)
      out.push({ kind: e.type + (known ? '' : ' unread'), layer: on, points: (known ?? []).map(to).map((p) => p.slice(0, 2)) })
      continue
    }
    const block = drawing.blocks[e.name]
    if (!block) continue
    const flat = plane(e)
    const base = vector(block.position)
    const turn = ((e.rotation ?? 0) * Math.PI) / 180
    const scale = [e.xScale ?? 1, e.yScale ?? 1, e.zScale ?? 1]
    for (let row = 0; row < (e.rowCount || 1); row++) {
      for (let column = 0; column < (e.columnCount || 1); column++) {
        const place = (p) => {
          const s = p.map((v, k) => (v - base[k]) * scale[k])
          const x = s[0] + column * (e.columnSpacing ?? 0)
          const y = s[1] + row * (e.rowSpacing ?? 0)
          const at = vector(e.position)
          return to(flat([
            at[0] + x * Math.cos(turn) - y * Math.sin(turn), at[1] + x * Math.sin(turn) + y * Math.cos(turn), at[2] + s[2],
          ]))
        }
        expand(drawing, block.entities ?? [], place, on, out)
      }
    }
  }
}

const files = JSON.parse(readFileSync(0, 'utf8'))
const read = files.map((file) => {
  try {
    console.log = () => {} // dxf-parser talks there
    const drawing = new Parser().parseSync(readFileSync(file, 'latin1'))
    const out = []
    expand(drawing, drawing.entities, (p) => p, null, out)
    return { entities: out, listed: drawing.entities.length }
  } catch (e) {
    return { error: String(e.message ?? e) }
  }
})
process.stdout.write(JSON.stringify({ files: read, colours }))

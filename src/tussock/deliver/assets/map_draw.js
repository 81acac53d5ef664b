// In: the data of the map. Out: drawn layers, one canvas for each level, and names that do not overlap.

const HATCH = '#1a1a1a', BLUE = '#0072B2', FIELD = '#ffffff', ROAD = '#5a4632', TILE = 14;
const LEVELS = ['water', 'history', 'zones', 'units', 'patches', 'check', 'access', 'marks', 'measure'];
const renderers = {}, layers = {}, shapes = {}, isShown = {};
const SYMBOLS = ['triangle', 'square', 'diamond', 'circle', 'star', 'pentagon', 'plus', 'hexagon'];
let kinds = [], marks = null;

// ---- hatchings

function hatch(context, pattern, size) {
  const line = (...points) => {
    context.beginPath();
    points.forEach(([x, y], i) => (i ? context.lineTo(x * size, y * size) : context.moveTo(x * size, y * size)));
    context.stroke();
  };
  const dot = (x, y, radius, filled) => {
    context.beginPath();
    context.arc(x * size, y * size, radius * size, 0, 7);
    if (filled) context.fill(); else context.stroke();
  };
  const rising = () => { line([0, 1], [1, 0]); line([-0.25, 0.25], [0.25, -0.25]); line([0.75, 1.25], [1.25, 0.75]); };
  const falling = () => { line([0, 0], [1, 1]); line([-0.25, 0.75], [0.25, 1.25]); line([0.75, -0.25], [1.25, 0.25]); };
  if (pattern === 'lines') { line([0, 0.25], [1, 0.25]); line([0, 0.75], [1, 0.75]); }
  if (pattern === 'upright') { line([0.25, 0], [0.25, 1]); line([0.75, 0], [0.75, 1]); }
  if (pattern === 'diagonal' || pattern === 'cross') rising();
  if (pattern === 'cross') falling();
  if (pattern === 'dots') { dot(0.25, 0.25, 0.13, true); dot(0.75, 0.75, 0.13, true); }
  if (pattern === 'rings') { dot(0.25, 0.25, 0.15, false); dot(0.75, 0.75, 0.15, false); }
  if (pattern === 'sparse') rising();
}

function makeFill(colour, pattern, ink, thickness) {
  const sharp = 2, size = TILE * sharp * (pattern === 'sparse' ? 1.4 : 1);
  const tile = make('canvas', { width: Math.round(size), height: Math.round(size) });
  const context = tile.getContext('2d');
  if (colour) { context.fillStyle = colour; context.fillRect(0, 0, size, size); }
  context.strokeStyle = context.fillStyle = ink || HATCH;
  context.lineWidth = sharp * (thickness || 1);
  hatch(context, pattern, Math.round(size));
  const fill = context.createPattern(tile, 'repeat');
  fill.setTransform(new DOMMatrix().scale(1 / sharp));
  return fill;
}

const fills = {};
function fillOf(key) {
  if (key in fills) return fills[key];
  const [level, place] = key.split(':');
  const rule = level === 'zone' && data.rules[place];
  if (level === 'unit') fills[key] = makeFill(data.classes[place][2], data.classes[place][3]);
  else if (rule) fills[key] = makeFill(null, 'sparse', rule.effect === 'forbids' ? 'rgba(170,60,0,0.55)' : 'rgba(60,60,60,0.4)', 0.9);
  else if (key === 'history') fills[key] = makeFill(null, 'lines', 'rgba(40,40,40,0.35)', 0.8);
  else if (key === 'receptors') fills[key] = makeFill(null, 'dots', 'rgba(0,0,0,0.35)', 1);
  else fills[key] = '#d3e6f3';
  return fills[key];
}

const DASHES = ['7 3', '2 3', '9 3 2 3', '12 4', '5 5', '1 4', '9 3 2 3 2 3', '14 3 4 3'];
function styleOf(key, feature) {
  const [level, place] = key.split(':');
  const none = { fill: false }, base = { interactive: false, smoothFactor: 0.5, bubblingMouseEvents: false };
  if (level === 'unit') return { ...base, color: '#222', weight: 0.9, opacity: 1, fillColor: fillOf(key), fillOpacity: 0.92 };
  if (level === 'zone') {
    const forbids = data.rules[place].effect === 'forbids';
    return { ...base, color: forbids ? '#9c3f00' : '#444', weight: 1.5, dashArray: DASHES[place % DASHES.length], fillColor: fillOf(key), fillOpacity: 1 };
  }
  if (level === 'patches') return { ...base, ...none, color: '#000', weight: 2 };
  if (level === 'water') {
    const dry = feature && feature.lines.some(([name, value]) => name === 'state' && value === 'dry');
    return { ...base, color: BLUE, weight: 1.3, dashArray: dry ? '4 4' : null, fill: true, fillColor: fillOf('water'), fillOpacity: dry ? 0.35 : 1 };
  }
  if (level === 'access') {
    const stand = feature && /stand/i.test(feature.kind);
    return { ...base, color: ROAD, weight: stand ? 4 : 2.5, dashArray: stand ? '1 6' : null, fillColor: '#e8dfd3', fillOpacity: 0.8 };
  }
  if (level === 'history') return { ...base, color: '#333', weight: 1.5, dashArray: '10 3 2 3', fillColor: fillOf('history'), fillOpacity: 1 };
  return { ...base, color: '#000', weight: 1.8, dashArray: '8 3 2 3', fillColor: fillOf('receptors'), fillOpacity: 1 };
}

// ---- levels

function makeLevels() {
  LEVELS.forEach((name, place) => {
    const pane = map.createPane(`level-${name}`);
    pane.style.zIndex = 410 + place * 10;
    pane.style.pointerEvents = 'none';
    renderers[name] = L.canvas({ pane: `level-${name}`, padding: 0.15 });
  });
}

function drawShape(shape, style, level) {
  const options = { ...style, renderer: renderers[level], pane: `level-${level}` };
  const parts = [];
  if (shape.a.length) parts.push(L.polygon(shape.a, options));
  if (shape.l.length) parts.push(L.polyline(shape.l, { ...options, fill: false }));
  return parts;
}

function makeLayers() {
  data.classes.forEach((item, place) => { layers[`unit:${place}`] = L.layerGroup(); });
  shapes.units = data.units.shape.map(unpack);
  shapes.patches = data.patches.shape.map(unpack);
  for (const name of ['water', 'receptors', 'access', 'history']) {
    shapes[name] = data[name].shape.map(unpack);
    const level = name === 'receptors' ? 'access' : name;
    layers[name] = L.layerGroup(shapes[name].flatMap((shape, i) => drawShape(shape, styleOf(name, featureOf(name, i)), level)));
  }
  layers.patches = L.layerGroup(shapes.patches.flatMap((shape) => drawShape(shape, styleOf('patches'), 'patches')));
  layers.check = L.layerGroup();
  layers.labels = L.layerGroup();
  for (const name of Object.keys(shapes)) shapes[name].forEach((shape) => { shape.box = boxOf(shape); });
  kinds = [...new Set(data.receptors.kind)].sort(byCode);
}

function byCode(a, b) {  // the order that the legend was written in: by code points
  const one = [...a], two = [...b];
  for (let i = 0; i < Math.min(one.length, two.length); i++) {
    const step = one[i].codePointAt(0) - two[i].codePointAt(0);
    if (step) return step;
  }
  return one.length - two.length;
}

function featureOf(name, i) {
  const table = data[name];
  return { kind: table.kind[i], title: table.title[i], lines: table.lines[i], at: pointOf(table.at[i]) };
}

function pointOf(run) { return run.length ? unpackRun(run)[0] : null; }

function zoneLayer(key) {  // zones can be large: each is made when it is first shown
  if (layers[key]) return layers[key];
  const shape = zoneShape(Number(key.split(':')[1]));
  layers[key] = L.layerGroup(drawShape(shape, styleOf(key), 'zones'));
  return layers[key];
}

function zoneShape(place) {
  const rule = data.rules[place];
  if (!rule.drawn) { rule.drawn = unpack(rule.shape); rule.drawn.box = boxOf(rule.drawn); }
  return rule.drawn;
}

function show(key, on) {
  isShown[key] = on;
  const layer = key.startsWith('zone:') ? zoneLayer(key) : layers[key];
  if (on) layer.addTo(map); else layer.remove();
  if (marks) marks.redraw();
}

// ---- what is outlined for a check in the field: white under a black dash

function outlineChecks(places) {
  layers.check.clearLayers();
  const rings = places.filter((i) => data.units.check[i]).flatMap((i) => shapes.units[i].a);
  if (!rings.length) return;
  const options = { renderer: renderers.check, pane: 'level-check', interactive: false, fill: false, smoothFactor: 0.5 };
  layers.check.addLayer(L.polygon(rings, { ...options, color: '#fff', weight: 3.5 }));
  layers.check.addLayer(L.polygon(rings, { ...options, color: '#000', weight: 2.2, dashArray: '3 5' }));
}

// ---- symbols

function drawSymbol(context, symbol, x, y, radius) {
  const corners = { triangle: 3, square: 4, diamond: 4, star: 10, pentagon: 5, plus: 12, hexagon: 6 }[symbol];
  context.beginPath();
  if (symbol === 'circle') context.arc(x, y, radius * 0.9, 0, 7);
  for (let i = 0; corners && i < corners; i++) {
    const angle = -Math.PI / 2 + (symbol === 'square' ? Math.PI / 4 : 0) + i * 2 * Math.PI / corners;
    let reach = radius * 1.1;
    if (symbol === 'star' && i % 2) reach *= 0.45;
    if (symbol === 'plus') reach = radius * (i % 3 === 0 ? 0.5 : 1.1);
    context.lineTo(x + reach * Math.cos(angle), y + reach * Math.sin(angle));
  }
  context.closePath();
  context.lineJoin = 'round';
  context.strokeStyle = '#fff'; context.lineWidth = 4; context.stroke();
  context.fillStyle = '#000'; context.fill();
}

function drawParking(context, x, y) {
  context.fillStyle = '#fff'; context.fillRect(x - 7, y - 7, 14, 14);
  context.fillStyle = ROAD; context.fillRect(x - 6, y - 6, 12, 12);
}

// ---- a canvas over the map for grid, symbols and names; `draw(context, place)` gets the points of the visible window

const Marks = L.Layer.extend({
  initialize(draw) { this._draw = draw; },
  onAdd(target) {
    this._canvas = make('canvas', { class: 'marks', 'aria-hidden': 'true' });
    target.getPane('level-marks').append(this._canvas);
    target.on('moveend resize viewreset zoomend', this.redraw, this);
    target.on('zoomstart', this._hide, this);
    this.redraw();
  },
  onRemove(target) {
    this._canvas.remove();
    target.off('moveend resize viewreset zoomend', this.redraw, this).off('zoomstart', this._hide, this);
  },
  _hide() { this._canvas.style.visibility = 'hidden'; },
  redraw() {
    if (!this._map) return;
    const size = this._map.getSize(), sharp = this.sharp || Math.max(window.devicePixelRatio || 1, 1);
    const margin = Math.round(size.x * 0.15), canvas = this._canvas;
    canvas.width = (size.x + 2 * margin) * sharp;
    canvas.height = (size.y + 2 * margin) * sharp;
    canvas.style.width = `${size.x + 2 * margin}px`;
    canvas.style.height = `${size.y + 2 * margin}px`;
    canvas.style.visibility = 'visible';
    L.DomUtil.setPosition(canvas, this._map.containerPointToLayerPoint([-margin, -margin]));
    const context = canvas.getContext('2d');
    context.setTransform(sharp, 0, 0, sharp, margin * sharp, margin * sharp);
    this._draw(context, { width: size.x, height: size.y, margin });
  },
});

// ---- names, most important first; one that would cover another is left out

function drawNames(context, window_) {
  const taken = [];
  const fits = (box) => !taken.some((other) => box[0] < other[2] && other[0] < box[2] && box[1] < other[3] && other[1] < box[3]);
  const write = (words, at, font, colour, shift) => {
    const point = map.latLngToContainerPoint(at);
    const margin = window_.margin;
    if (point.x < -margin || point.y < -margin || point.x > window_.width + margin || point.y > window_.height + margin) return;
    const label = words.length > 32 ? `${[...words].slice(0, 31).join('')}…` : words;
    context.font = font;
    const half = context.measureText(label).width / 2, y = point.y + shift;
    const box = [point.x - half - 2, y - 8, point.x + half + 2, y + 8];
    if (!fits(box)) return;
    taken.push(box);
    context.textAlign = 'center'; context.textBaseline = 'middle';
    context.lineWidth = 3.5; context.strokeStyle = 'rgba(255,255,255,0.95)'; context.lineJoin = 'round';
    context.strokeText(label, point.x, y);
    context.fillStyle = colour; context.fillText(label, point.x, y);
  };
  const face = 'px system-ui, "Segoe UI", Roboto, "Noto Sans", sans-serif';
  const zoom = map.getZoom(), near = zoom >= 16.5;
  drawPoints(context, taken);
  if (!isShown.labels) return;
  for (const i of inView('patches', 1500)) write(data.patches.id[i], pointOf(data.patches.at[i]), `600 12.5${face}`, '#000', 0);
  if (isShown.receptors) inView('receptors', 800).forEach((i) => {
    const item = featureOf('receptors', i);
    if (zoom >= 14) write(near && item.title ? `${item.kind}: ${item.title}` : item.kind, item.at, `12${face}`, '#111', shapes.receptors[i].p.length ? 15 : 0);
  });
  if (isShown.water) inView('water', 400).forEach((i) => {
    const item = featureOf('water', i);
    write(item.title || item.kind, item.at, `italic 12.5${face}`, '#003f66', 0);
  });
  if (near && isShown.access) inView('access', 300).forEach((i) => {
    const item = featureOf('access', i);
    write(item.title || item.kind, item.at, `11${face}`, ROAD, 13);
  });
  if (zoom >= 17) inView('units', 600).forEach((i) => write(data.units.id[i], pointOf(data.units.at[i]), `10.5${face}`, '#222', 0));
}

function inView(name, most) {
  const bounds = map.getBounds().pad(0.15), found = [], table = shapes[name];
  for (let i = 0; i < table.length && found.length < most; i++) {
    const [south, west, north, east] = table[i].box;
    const unseen = name === 'units' && !isUnitShown(i);
    if (!unseen && data[name].at[i].length && north >= bounds.getSouth() && south <= bounds.getNorth() && east >= bounds.getWest() && west <= bounds.getEast()) found.push(i);
  }
  return found;
}

function drawPoints(context, taken) {
  const put = (at, radius, draw) => {
    const point = map.latLngToContainerPoint(at);
    draw(point.x, point.y);
    taken.push([point.x - radius, point.y - radius, point.x + radius, point.y + radius]);
  };
  if (isShown.access) inView('access', 2000).forEach((i) => shapes.access[i].p.forEach((at) => put(at, 7, (x, y) => drawParking(context, x, y))));
  if (isShown.receptors) inView('receptors', 4000).forEach((i) => {
    const symbol = SYMBOLS[kinds.indexOf(data.receptors.kind[i]) % SYMBOLS.length];
    shapes.receptors[i].p.forEach((at) => put(at, 8, (x, y) => drawSymbol(context, symbol, x, y, 6.5)));
  });
}

// ---- swatches of the legend

function drawSwatch(place, key, kind) {
  const wide = 34, high = 20, sharp = 3;
  const canvas = make('canvas', { width: wide * sharp, height: high * sharp, 'aria-hidden': 'true' });
  const context = canvas.getContext('2d');
  context.scale(sharp, sharp);
  place.append(canvas);
  if (kind !== undefined) { drawSymbol(context, SYMBOLS[kind % SYMBOLS.length], wide / 2, high / 2, 6.5); return; }
  if (key === 'labels') { context.font = '600 12px sans-serif'; context.fillText('A01', 6, 14); return; }
  if (key === 'check') {
    for (const [colour, width, dash] of [['#fff', 3.5, []], ['#000', 2.2, [3, 5]]]) strokeBox(context, colour, width, dash, wide, high);
    return;
  }
  const style = styleOf(key);
  if (style.fill !== false) { context.globalAlpha = style.fillOpacity; context.fillStyle = style.fillColor; context.fillRect(2, 2, wide - 4, high - 4); context.globalAlpha = 1; }
  strokeBox(context, style.color, style.weight, (style.dashArray || '').split(' ').filter(Boolean).map(Number), wide, high);
}

function strokeBox(context, colour, width, dash, wide, high) {
  context.strokeStyle = colour; context.lineWidth = width; context.setLineDash(dash);
  context.strokeRect(2, 2, wide - 4, high - 4);
}

// In: the data of the map. Out: its picture on one canvas: shapes level by level, then symbols, then names that do not
// overlap. One canvas, because a filter, a box of the legend or a new zoom is then only a new drawing, which stays quick
// with 20,000 units; and because a browser that prints replays it as sharp lines.

const HATCH = '#1a1a1a', BLUE = '#0072B2', ROAD = '#5a4632', FAR = 16, SPECK = 5, MARGIN = 0.15;
const shapes = {}, isShown = {};
const SYMBOLS = ['triangle', 'square', 'diamond', 'circle', 'star', 'pentagon', 'plus', 'hexagon'];
let kinds = [], picture = null, ground = null;

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
  const sharp = 2, size = (pattern === 'sparse' ? 20 : isFar() ? 9 : 14) * sharp;
  const tile = make('canvas', { width: size, height: size }), context = tile.getContext('2d');
  if (colour) { context.fillStyle = colour; context.fillRect(0, 0, size, size); }
  context.strokeStyle = context.fillStyle = ink || HATCH;
  context.lineWidth = sharp * (thickness || 1);
  hatch(context, pattern, size);
  const fill = context.createPattern(tile, 'repeat');
  fill.tile = size / sharp;
  fill.setTransform(new DOMMatrix().scale(1 / sharp));
  return fill;
}

function anchor(fill, left, top) {  // hatchings stay on the ground when the map moves
  if (fill && fill.tile) fill.setTransform(new DOMMatrix().translate(-(left % fill.tile), -(top % fill.tile)).scale(0.5));
  return fill;
}

let fills = {}, fillsAreFar = null;
function fillOf(key) {
  if (fillsAreFar !== isFar()) { fills = {}; fillsAreFar = isFar(); }  // small units need a fine hatching
  if (key in fills) return fills[key];
  const [level, place] = key.split(':');
  const rule = level === 'zone' && data.rules[place];
  if (level === 'unit') fills[key] = makeFill(data.classes[place][2], data.classes[place][3]);
  else if (rule) fills[key] = makeFill(null, 'sparse', rule.effect === 'forbids' ? 'rgba(170,60,0,0.38)' : 'rgba(60,60,60,0.3)', 0.8);
  else if (key === 'history') fills[key] = makeFill(null, 'lines', 'rgba(40,40,40,0.35)', 0.8);
  else if (key === 'receptors') fills[key] = makeFill(null, 'dots', 'rgba(0,0,0,0.35)', 1);
  else fills[key] = key === 'access' ? '#e8dfd3' : '#d3e6f3';
  return fills[key];
}

// ---- how each level is drawn: fill, its strength, line colour, width in pixels and dash

const DASHES = [[7, 3], [2, 3], [9, 3, 2, 3], [12, 4], [5, 5], [1, 4], [9, 3, 2, 3, 2, 3], [14, 3, 4, 3]];
function styleOf(key, feature) {
  const [level, place] = key.split(':');
  if (level === 'unit') return { fill: fillOf(key), strength: 1, line: '#222', width: 0.9, dash: [] };
  if (level === 'zone') {
    const forbids = data.rules[place].effect === 'forbids';
    return { fill: fillOf(key), strength: 1, line: forbids ? '#9c3f00' : '#444', width: 1.5, dash: DASHES[place % DASHES.length] };
  }
  if (level === 'patches') return { line: '#000', width: isFar() ? 1.1 : 2, dash: [] };
  if (level === 'water') {
    const dry = feature && feature.lines.some(([name, value]) => name === 'state' && value === 'dry');
    return { fill: fillOf('water'), strength: dry ? 0.35 : 1, line: BLUE, width: 1.3, dash: dry ? [4, 4] : [] };
  }
  if (level === 'access') {
    const stand = feature && /stand/i.test(feature.kind);
    return { fill: fillOf('access'), strength: 0.8, line: ROAD, width: stand ? 4 : 2.5, dash: stand ? [1, 6] : [] };
  }
  if (level === 'history') return { fill: fillOf('history'), strength: 1, line: '#333', width: 1.5, dash: [10, 3, 2, 3] };
  return { fill: fillOf('receptors'), strength: 1, line: '#000', width: 1.8, dash: [8, 3, 2, 3] };
}

/* Outlines for a check in the field: white under a black dash; thin from afar, where they would hide what they surround. */
function checkStyles() {
  const [under, over, dash] = isFar() ? [2, 1.1, [2, 4]] : [3.5, 2.2, [3, 5]];
  return [{ line: '#fff', width: under, dash: [], under: true }, { line: '#000', width: over, dash, under: true }];
}

function isFar() { return map.getZoom() < FAR; }

// ---- shapes

function makeShapes() {
  for (const name of ['units', 'patches', 'water', 'receptors', 'access', 'history']) shapes[name] = data[name].shape.map(unpack);
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
  return { kind: table.kind[i], title: table.title[i], lines: table.lines[i] };
}

function zoneShape(place) {  // zones can be large: each is unpacked when it is first needed
  const rule = data.rules[place];
  if (!rule.drawn) rule.drawn = unpack(rule.shape);
  return rule.drawn;
}

function show(key, on) {
  isShown[key] = on;
  if (key === 'base' && ground) { if (on) ground.addTo(map); else ground.remove(); }
  if (picture) picture.redraw();
}

function worldOf(name, i) { return data[name].at[i].length ? unpackRun(data[name].at[i]) : null; }

function placeOf(name, i) {
  const world = worldOf(name, i);
  return world && toLatLng(world[0], world[1]);
}

// ---- the background: pictures that stand in the page

const Tiles = L.GridLayer.extend({
  createTile(place) {
    const count = 2 ** place.z, column = ((place.x % count) + count) % count;
    const address = data.base.tiles[`${place.z}/${column}/${place.y}`];
    return make('img', address ? { alt: '', src: address } : { alt: '' });
  },
});

function makeGround() {
  const base = data.base;
  if (!base) return;
  if (base.image) ground = L.imageOverlay(base.image, base.bounds, { pane: 'tilePane', alt: '' });
  else ground = new Tiles({ minNativeZoom: base.zooms[0], maxNativeZoom: base.zooms[1], maxZoom: map.getMaxZoom() });
}

// ---- the picture: a canvas larger than the window by a margin, drawn anew when the map comes to rest

const Picture = L.Layer.extend({
  onAdd(target) {
    this._pane = target.createPane('picture');
    this._pane.style.zIndex = 420;
    this._pane.style.pointerEvents = 'none';
    this.renew();
    target.on(this._events(), this);
    this.redraw();
  },
  onRemove(target) {
    this._canvas.remove();
    target.off(this._events(), this);
  },
  renew() {  // an unused canvas: where a used one is printed, the clearing of it also wipes out what lies below
    this._canvas = make('canvas', { class: 'picture leaflet-zoom-animated', 'aria-hidden': 'true' });
    this._pane.replaceChildren(this._canvas);
  },
  _events() { return { moveend: this._later, resize: this._later, zoomanim: this._grow }; },
  _later() { this.redraw(); },
  _grow(event) {
    const corner = this._map._latLngToNewLayerPoint(this._corner, event.zoom, event.center);
    L.DomUtil.setTransform(this._canvas, corner, this._map.getZoomScale(event.zoom, this._zoom));
  },
  redraw() {
    if (!this._map) return;
    const size = this._map.getSize(), sharp = Math.max(window.devicePixelRatio || 1, 1), canvas = this._canvas;
    const margin = Math.round(Math.max(size.x, size.y) * MARGIN), start = this._map.getPixelBounds().min;
    canvas.width = (size.x + 2 * margin) * sharp;
    canvas.height = (size.y + 2 * margin) * sharp;
    canvas.style.width = `${size.x + 2 * margin}px`;
    canvas.style.height = `${size.y + 2 * margin}px`;
    const corner = this._map.containerPointToLayerPoint([-margin, -margin]);
    this._corner = this._map.layerPointToLatLng(corner);
    this._zoom = this._map.getZoom();
    L.DomUtil.setTransform(canvas, corner, 1);
    const context = canvas.getContext('2d');
    context.setTransform(sharp, 0, 0, sharp, margin * sharp, margin * sharp);
    drawAll(context, { width: size.x, height: size.y, margin, scale: 2 ** this._zoom, left: start.x, top: start.y });
  },
});

function drawAll(context, view) {
  const features = (name) => shapes[name].forEach((shape, i) => {
    if (isShown[name] && isSeen(shape, view)) drawShape(context, view, shape, styleOf(name, featureOf(name, i)));
  });
  features('water');
  features('history');
  data.rules.forEach((rule, place) => { if (isShown[`zone:${place}`]) drawShape(context, view, zoneShape(place), styleOf(`zone:${place}`)); });
  const seen = shapes.units.map((shape, i) => i).filter((i) => isSeen(shapes.units[i], view) && isUnitShown(i));
  const styles = data.classes.map((item, place) => styleOf(`unit:${place}`));
  seen.forEach((i) => drawShape(context, view, shapes.units[i], styles[data.units.class[i]], data.classes[data.units.class[i]][2]));
  const outline = styleOf('patches');
  if (isShown.patches) shapes.patches.forEach((shape) => { if (isSeen(shape, view) && sizeOf(shape, view) >= SPECK) drawShape(context, view, shape, outline); });
  if (isShown.check) checkStyles().forEach((style) => seen.forEach((i) => { if (data.units.check[i] && sizeOf(shapes.units[i], view) >= SPECK) drawShape(context, view, shapes.units[i], style); }));
  features('access');
  features('receptors');
  context.setLineDash([]);
  if (isShown.grid) drawGrid(context, view);
  drawNames(context, view);
}

function isSeen(shape, view) {
  const [west, north, east, south] = shape.box, { scale, left, top, margin } = view;
  return east * scale - left > -margin && west * scale - left < view.width + margin && south * scale - top > -margin && north * scale - top < view.height + margin;
}

function sizeOf(shape, view) { return Math.max(shape.box[2] - shape.box[0], shape.box[3] - shape.box[1]) * view.scale; }

function drawSpeck(context, view, shape, colour) {  // from very far a unit is a speck of its colour, never nothing
  const [west, north, east, south] = shape.box, side = Math.max(2, sizeOf(shape, view));
  context.fillStyle = colour;
  context.fillRect((west + east) / 2 * view.scale - view.left - side / 2, (north + south) / 2 * view.scale - view.top - side / 2, side, side);
}

function drawShape(context, view, shape, style, dotColour) {
  const { scale, left, top } = view;
  if (dotColour && sizeOf(shape, view) < SPECK) { drawSpeck(context, view, shape, dotColour); return; }
  if (!dotColour && !style.under && ground && isShown.base) {  // over a picture of the ground, lines need a light edge
    drawShape(context, view, shape, { line: 'rgba(255,255,255,0.75)', width: style.width + 2.4, dash: [], under: true });
  }
  context.strokeStyle = style.line;
  context.lineWidth = style.width;
  context.setLineDash(style.dash);
  context.lineJoin = context.lineCap = 'round';
  if (style.dash.length && style.width < 4) context.lineCap = 'butt';
  if (style.fill) context.fillStyle = anchor(style.fill, left, top);
  for (const rings of shape.a) {
    context.beginPath();
    for (const ring of rings) { trace(context, ring, scale, left, top); context.closePath(); }
    if (style.fill) { context.globalAlpha = style.strength; context.fill('evenodd'); context.globalAlpha = 1; }
    context.stroke();
  }
  for (const line of shape.l) { context.beginPath(); trace(context, line, scale, left, top); context.stroke(); }
}

function trace(context, run, scale, left, top) {  // vertices closer than 0.7 pixel to the last one are passed over
  let lastX = run[0] * scale - left, lastY = run[1] * scale - top;
  context.moveTo(lastX, lastY);
  for (let i = 2; i < run.length; i += 2) {
    const x = run[i] * scale - left, y = run[i + 1] * scale - top;
    if (i < run.length - 2 && Math.abs(x - lastX) < 0.7 && Math.abs(y - lastY) < 0.7) continue;
    context.lineTo(x, y);
    lastX = x; lastY = y;
  }
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
  context.strokeStyle = '#fff'; context.lineWidth = 3; context.stroke();
  context.fillStyle = '#000'; context.fill();
}

function drawParking(context, x, y, size) {
  context.fillStyle = '#fff'; context.fillRect(x - size, y - size, 2 * size, 2 * size);
  context.fillStyle = ROAD; context.fillRect(x - size + 1.5, y - size + 1.5, 2 * size - 3, 2 * size - 3);
}

// ---- names, most important first; one that would cover another is left out

const FACE = 'px system-ui, "Segoe UI", Roboto, "Noto Sans", sans-serif';

function drawNames(context, view) {
  const taken = [], zoom = map.getZoom(), near = zoom >= 16.5;
  drawPoints(context, view, taken);
  if (!isShown.labels) return;
  const write = (words, world, font, colour, shift) => writeName(context, view, taken, words, world, font, colour, shift);
  for (const i of inView('patches', view, 20000)) {
    if (sizeOf(shapes.patches[i], view) < 2 * SPECK) continue;
    const [west, north, east, south] = shapes.patches[i].box;
    const small = (east - west) * view.scale < 46 || (south - north) * view.scale < 26;
    write(data.patches.id[i], small ? [(west + east) / 2, north] : worldOf('patches', i), `600 12${FACE}`, '#000', small ? -9 : 0);
  }
  const features = (name, most, font, colour, wordsOf, shiftOf) => {
    if (isShown[name]) inView(name, view, most).forEach((i) => write(wordsOf(featureOf(name, i)), worldOf(name, i), font, colour, shiftOf(shapes[name][i])));
  };
  const beside = (shape) => (shape.p.length ? 15 : 0), title = (item) => item.title || item.kind;
  if (zoom >= 14) features('receptors', 800, `12${FACE}`, '#111', (item) => (near && item.title ? `${item.kind}: ${item.title}` : item.kind), beside);
  features('water', 400, `italic 12.5${FACE}`, '#003f66', title, () => 0);
  if (near) features('access', 300, `11${FACE}`, ROAD, title, () => 13);
  if (zoom >= 17) inView('units', view, 600).forEach((i) => write(data.units.id[i], worldOf('units', i), `10.5${FACE}`, '#222', 0));
}

function writeName(context, view, taken, words, world, font, colour, shift) {
  const x = world[0] * view.scale - view.left, y = world[1] * view.scale - view.top + shift;
  const letters = [...words], label = letters.length > 32 ? `${letters.slice(0, 31).join('')}…` : words;
  context.font = font;
  const half = context.measureText(label).width / 2, box = [x - half - 2, y - 8, x + half + 2, y + 8];
  if (taken.some((other) => box[0] < other[2] && other[0] < box[2] && box[1] < other[3] && other[1] < box[3])) return;
  taken.push(box);
  context.textAlign = 'center'; context.textBaseline = 'middle';
  context.lineWidth = 3.5; context.strokeStyle = 'rgba(255,255,255,0.95)'; context.lineJoin = 'round';
  context.strokeText(label, x, y);
  context.fillStyle = colour; context.fillText(label, x, y);
}

function inView(name, view, most) {
  const found = [], table = shapes[name];
  for (let i = 0; i < table.length && found.length < most; i++) {
    if (data[name].at[i].length && isSeen(table[i], view) && (name !== 'units' || isUnitShown(i))) found.push(i);
  }
  return found;
}

function drawPoints(context, view, taken) {
  const zoom = map.getZoom(), size = zoom < 14.5 ? 4 : zoom < 16 ? 5 : 6.5;
  const put = (world, draw) => {
    const x = world[0] * view.scale - view.left, y = world[1] * view.scale - view.top;
    draw(x, y);
    taken.push([x - size - 1, y - size - 1, x + size + 1, y + size + 1]);
  };
  if (isShown.access) inView('access', view, 2000).forEach((i) => shapes.access[i].p.forEach((world) => put(world, (x, y) => drawParking(context, x, y, size))));
  if (isShown.receptors) inView('receptors', view, 4000).forEach((i) => {
    const symbol = SYMBOLS[kinds.indexOf(data.receptors.kind[i]) % SYMBOLS.length];
    shapes.receptors[i].p.forEach((world) => put(world, (x, y) => drawSymbol(context, symbol, x, y, size)));
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
  if (key === 'base') return;
  if (key === 'labels') { context.font = '600 12px sans-serif'; context.fillText('A01', 6, 14); return; }
  const styles = key === 'check' ? checkStyles() : [styleOf(key)];
  styles.forEach((style) => {
    if (style.fill) { context.globalAlpha = style.strength; context.fillStyle = anchor(style.fill, 0, 0); context.fillRect(2, 2, wide - 4, high - 4); context.globalAlpha = 1; }
    context.strokeStyle = style.line; context.lineWidth = style.width; context.setLineDash(style.dash);
    context.strokeRect(2, 2, wide - 4, high - 4);
  });
}

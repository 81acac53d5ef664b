// In: the map and its data. Out: scale, north, readout, grid, measuring, printing; and the start of it all.

let measure = null, ruler = null;

// ---- scale bar and north: true at the middle of the map, on the ellipsoid

function addScale() {
  const us = data.site.system === 'us';
  L.control.scale({ imperial: us, metric: !us, maxWidth: 160 }).addTo(map);
}

function addNorth() {
  const North = L.Control.extend({
    options: { position: 'topright' },
    onAdd() {
      const name = 'http://www.w3.org/2000/svg', box = make('div', { class: 'north', role: 'img', 'aria-label': 'North is up' });
      const svg = document.createElementNS(name, 'svg');
      svg.setAttribute('viewBox', '0 0 24 40');
      svg.setAttribute('aria-hidden', 'true');
      for (const [d, fill] of [['M12 2 L20 26 L12 21 Z', '#fff'], ['M12 2 L4 26 L12 21 Z', '#000'], ['M8 39 V29 L16 39 V29', 'none']]) {
        const path = document.createElementNS(name, 'path');
        path.setAttribute('d', d);
        path.setAttribute('fill', fill);
        path.setAttribute('stroke', '#000');
        path.setAttribute('stroke-width', fill === 'none' ? 1.8 : 1);
        svg.append(path);
      }
      box.append(svg);
      return box;
    },
  });
  new North().addTo(map);
}

// ---- readout

function sayPlace(at) {
  const lng = turned(at.lng);
  const degrees = `${Math.abs(at.lat).toFixed(6)}° ${at.lat < 0 ? 'S' : 'N'}, ${Math.abs(lng).toFixed(6)}° ${lng < 0 ? 'W' : 'E'}`;
  const plane = toPlane(at.lat, at.lng);
  return [degrees, plane ? `${data.crs.name}: E ${group(plane[0], 0)}, N ${group(plane[1], 0)} ${data.crs.unit}` : ''];
}

function addReadout() {
  const Readout = L.Control.extend({
    options: { position: 'bottomleft' },
    onAdd() { this.box = make('div', { class: 'readout' }); return this.box; },
  });
  const readout = new Readout().addTo(map);
  const write = (at) => readout.box.replaceChildren(...sayPlace(at).filter(Boolean).map((line) => make('div', {}, line)));
  map.on('mousemove', (event) => write(event.latlng));
  map.on('moveend', () => write(map.getCenter()));
  write(map.getCenter());
}

// ---- grid, in the site's plane where there is one, else in degrees

function niceStep(span) {
  const power = 10 ** Math.floor(Math.log10(span));
  return [1, 2, 5, 10].map((factor) => factor * power).find((step) => step >= span * 0.999);
}

function gridLines(bounds) {
  const corners = [bounds.getSouthWest(), bounds.getSouthEast(), bounds.getNorthWest(), bounds.getNorthEast()];
  const planes = data.crs ? corners.map((at) => toPlane(at.lat, at.lng)) : [null];
  const inPlane = planes.every(Boolean);
  const points = inPlane ? planes : corners.map((at) => [at.lng, at.lat]);
  const back = inPlane ? fromPlane : (x, y) => [y, x];
  const low = [0, 1].map((k) => Math.min(...points.map((point) => point[k])));
  const high = [0, 1].map((k) => Math.max(...points.map((point) => point[k])));
  const step = niceStep((high[0] - low[0]) / 7), places = inPlane ? 0 : Math.max(0, -Math.floor(Math.log10(step)));
  const found = [];
  [0, 1].forEach((k) => {
    for (let n = Math.ceil(low[k] / step); n * step <= high[k]; n++) {
      const value = n * step, other = 1 - k, run = [];
      for (let part = 0; part <= 24; part++) {
        const along = low[other] + (high[other] - low[other]) * part / 24;
        const at = k === 0 ? back(value, along) : back(along, value);
        if (at) run.push(at);
      }
      const shown = inPlane ? `${group(value, 0)} ${k ? 'N' : 'E'}` : `${(k ? value : turned(value)).toFixed(places)}°`;
      found.push({ run, label: shown, upright: k === 0 });
    }
  });
  return found;
}

function drawGrid(context, view) {
  context.font = '11px system-ui, sans-serif';
  for (const { run, label, upright } of gridLines(map.getBounds())) {
    const points = run.map((at) => map.latLngToContainerPoint(at));
    context.beginPath();
    points.forEach((point, i) => (i ? context.lineTo(point.x, point.y) : context.moveTo(point.x, point.y)));
    context.strokeStyle = 'rgba(0,0,0,0.45)'; context.lineWidth = 0.8; context.setLineDash([1, 3]); context.stroke(); context.setLineDash([]);
    const edge = upright ? { x: crossing(points, 'y', 'x', 12), y: 12 } : { x: view.width - 48, y: crossing(points, 'x', 'y', view.width - 48) };
    if (!Number.isFinite(edge.x + edge.y) || edge.x < 60 || edge.x > view.width - 40 || edge.y < (upright ? 8 : 72) || edge.y > view.height - 20) continue;
    context.textAlign = 'center'; context.textBaseline = 'middle';
    context.strokeStyle = 'rgba(255,255,255,0.95)'; context.lineWidth = 4; context.strokeText(label, edge.x, edge.y);
    context.fillStyle = '#222'; context.fillText(label, edge.x, edge.y);
  }
}

function crossing(points, along, across, where) {
  for (let i = 1; i < points.length; i++) {
    const a = points[i - 1], b = points[i];
    if ((a[along] - where) * (b[along] - where) <= 0 && a[along] !== b[along]) return a[across] + (b[across] - a[across]) * (where - a[along]) / (b[along] - a[along]);
  }
  return NaN;
}

// ---- measuring

function isMeasuring() { return measure !== null; }

function addMeasure(at) {
  const last = measure.points[measure.points.length - 1];
  if (last) measure.total += geodesic(last.lat, last.lng, at.lat, at.lng);
  measure.points.push(at);
  measure.layer.addLatLng(at);
  L.circleMarker(at, { radius: 3.5, color: '#000', weight: 1.5, fillColor: '#fff', fillOpacity: 1, interactive: false, pane: 'measure', renderer: ruler }).addTo(measure.group);
  const words = measure.points.length < 2 ? 'First point set. Click the next one.' : `${sayDistance(measure.total)} over ${measure.points.length - 1} ${measure.points.length === 2 ? 'leg' : 'legs'}`;
  byId('measure-result').textContent = words;
  measure.tip.setLatLng(at).setContent(make('span', {}, measure.points.length < 2 ? '0' : sayDistance(measure.total)));
  if (!measure.group.hasLayer(measure.tip)) measure.group.addLayer(measure.tip);
}

function setMeasuring(on) {
  byId('tool-measure').setAttribute('aria-pressed', String(on));
  map.getContainer().classList.toggle('measuring', on);
  if (measure) measure.group.remove();
  measure = null;
  if (!on) { byId('measure-result').textContent = ''; map.doubleClickZoom.enable(); return; }
  map.closePopup();
  map.doubleClickZoom.disable();
  const layer = L.polyline([], { color: '#000', weight: 2.5, dashArray: '6 4', interactive: false, pane: 'measure', renderer: ruler });
  measure = { points: [], total: 0, layer, group: L.layerGroup([layer]).addTo(map), tip: L.tooltip({ direction: 'right', offset: [8, 0], className: 'measured' }) };
  byId('measure-result').textContent = 'Click points on the map, or press Enter on the map for the point under the cross. Escape ends it.';
}

function startTools() {
  const pane = map.createPane('measure');
  pane.style.zIndex = 430;
  pane.style.pointerEvents = 'none';
  ruler = L.svg({ pane: 'measure' });
  byId('tool-measure').addEventListener('click', () => setMeasuring(!isMeasuring()));
  byId('tool-grid').addEventListener('click', () => {
    show('grid', !isShown.grid);
    byId('tool-grid').setAttribute('aria-pressed', String(isShown.grid));
  });
  byId('tool-whole').addEventListener('click', showWhole);
  byId('tool-print').addEventListener('click', () => window.print());
  map.on('click', (event) => { if (isMeasuring()) addMeasure(event.latlng); });
  document.addEventListener('keydown', (event) => { if (event.key === 'Escape' && isMeasuring()) setMeasuring(false); });
}

function showWhole() {
  map.closePopup();
  if (data.bounds) map.fitBounds(data.bounds, { paddingTopLeft: [26, 26], paddingBottomRight: [26, 84], maxZoom: 18, animate: false });
}

// ---- print: the page is laid out for paper first, and the same ground is fitted into it

function startPrint() {
  let before = null;
  window.addEventListener('beforeprint', () => {
    before = map.getBounds();
    document.body.classList.add('on-paper');
    refit(before);
  });
  window.addEventListener('afterprint', () => {
    document.body.classList.remove('on-paper');
    refit(before);
  });
}

function refit(bounds) {
  map.invalidateSize({ pan: false, animate: false });
  map.fitBounds(bounds, { animate: false });
  picture.renew();
  picture.redraw();
}

// ---- start

function start(theMap, theData) {
  map = theMap;
  data = theData;
  map.distance = (a, b) => { const one = L.latLng(a), two = L.latLng(b); return geodesic(one.lat, one.lng, two.lat, two.lng); };
  if (data.bounds) map.fitBounds(data.bounds, { paddingTopLeft: [26, 26], paddingBottomRight: [26, 84], maxZoom: 18, animate: false });
  makeShapes();
  makeGround();
  startFold();
  applyFilter();
  startLegend();
  picture = new Picture().addTo(map);
  startFilters();
  startSearch();
  startTools();
  startHere();
  startPrint();
  addScale();
  addNorth();
  addReadout();
  showWhole();
  map.getContainer().append(make('div', { class: 'cross', 'aria-hidden': 'true' }));
  document.body.dataset.ready = 'yes';
}

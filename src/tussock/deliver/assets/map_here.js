// In: a place on the map. Out: what lies there, in a card: unit first, then patch, features and setback zones.

function isHit(shape, x, y, pixel) {  // pixel: the size of one, in world units
  const [west, north, east, south] = shape.box, pad = 12 * pixel;
  if (x < west - pad || x > east + pad || y < north - pad || y > south + pad) return false;
  if (inPolygons(x, y, shape.a)) return true;
  if (shape.p.some((point) => Math.hypot(point[0] - x, point[1] - y) < 12 * pixel)) return true;
  const here = L.point(x, y);
  return shape.l.some((line) => {
    for (let i = 2; i < line.length; i += 2) {
      if (L.LineUtil.pointToSegmentDistance(here, L.point(line[i - 2], line[i - 1]), L.point(line[i], line[i + 1])) < 7 * pixel) return true;
    }
    return false;
  });
}

function isUnitShown(i) { return passes(i) && isShown[`unit:${data.units.class[i]}`] !== false; }

function findHits(at) {
  const [x, y] = toWorld(at.lat, at.lng), pixel = 2 ** -map.getZoom(), hits = [];
  const look = (name, allowed) => shapes[name].forEach((shape, i) => { if (isHit(shape, x, y, pixel) && allowed(i)) hits.push({ name, i }); });
  look('receptors', (i) => isShown.receptors && shapes.receptors[i].p.length);
  look('units', isUnitShown);
  if (!hits.some((hit) => hit.name === 'units')) look('patches', () => true);
  look('receptors', (i) => isShown.receptors && !shapes.receptors[i].p.length);
  for (const name of ['access', 'history', 'water']) look(name, () => isShown[name]);
  return hits;
}

function zonesAt(at) {
  const [x, y] = toWorld(at.lat, at.lng);
  return [...data.rules.keys()].filter((place) => {
    const shape = zoneShape(place), [west, north, east, south] = shape.box;
    return x >= west && x <= east && y >= north && y <= south && inPolygons(x, y, shape.a);
  });
}

function hitTitle(hit) {
  if (hit.name === 'units') return `Unit ${data.units.id[hit.i]}`;
  if (hit.name === 'patches') return `Patch ${data.patches.id[hit.i]}`;
  const item = featureOf(hit.name, hit.i);
  return item.title ? `${item.kind}: ${item.title}` : item.kind;
}

// ---- cards

function lines(rows) {
  const list = make('dl', { class: 'lines' });
  rows.forEach(([label, value]) => { if (value) list.append(make('dt', {}, label), make('dd', {}, make('bdi', {}, value))); });
  return list;
}

function pairs(numbers) {
  const rows = [];
  for (let i = 0; i < numbers.length; i += 2) rows.push([text(numbers[i]), text(numbers[i + 1])]);
  return rows;
}

function fold(title, content, open) {
  const box = make('details', {}, make('summary', {}, title), content);
  if (open) box.open = true;
  return box;
}

function bullets(texts) { return make('ul', {}, ...texts.map((item) => make('li', {}, make('bdi', {}, item)))); }

/* A text as a sentence of its own. */
function sentence(words) { return words ? `${words.charAt(0).toUpperCase()}${words.slice(1)}. ` : ''; }

/* What a rule asks for, without the distance that begins it ("within 100 ft: "): that stands beside it already. */
function asks(rule) { const says = text(rule.says); return says.slice(says.indexOf(': ') + 2); }

function setbackList(rows) {
  return make('ul', { class: 'setbacks' }, ...rows.map(([place, feature, distance, verdict]) => {
    const rule = data.rules[place];
    return make('li', {}, make('b', {}, rule.id), ': ', make('bdi', {}, text(feature)),
      text(distance) ? `, ${text(distance)}. ` : '. ', make('span', { class: 'says' }, sentence(asks(rule))),
      verdict ? make('i', {}, sentence(text(verdict))) : '', make('span', { class: 'source' }, `Source: ${text(rule.source)}`));
  }));
}

/* What else was judged here: folded away, refused or not, each with its reason; those for other plants are only counted. */
function judgedFold(i) {
  const [others, ...cells] = data.units.judged[i], rows = [];
  for (let k = 0; k < cells.length; k += 3) rows.push(cells.slice(k, k + 3).map(text));
  if (!rows.length && !others) return '';
  const counts = ['refused', 'allowed'].map((verdict) => [rows.filter((row) => row[1] === verdict).length, verdict]);
  const words = counts.filter(([count]) => count).map(([count, verdict]) => `${count} ${verdict}`);
  if (others) words.push(`${others} for other plants`);
  const list = make('ul', { class: 'judged' }, ...rows.map(([name, verdict, reason]) => make('li', {}, make('b', {}, make('bdi', {}, name)), ` ${verdict}`, reason ? ': ' : '', make('bdi', {}, reason))));
  return fold(`Other candidates: ${words.join(', ')}`, rows.length ? list : make('p', {}, 'None of them is for this plant.'));
}

function chip(place, words) {
  const box = make('p', { class: 'chip' }), swatch = make('span', { class: 'swatch' });
  drawSwatch(swatch, `unit:${place}`);
  box.append(swatch, make('span', {}, words));
  return box;
}

function statusWords(i) {
  const label = data.classes[data.units.class[i]][1], use = text(data.units.use[i]);
  const same = data.classes[data.units.class[i]][0] === use || !use;
  return same ? label : `${label}; rules leave: ${use}`;
}

/* A patch that is not as it was approved says so at the top of its card; what changed stands among its lines. */
function approvalFlag(i) {
  const [, state] = pairs(data.patches.lines[i]).find(([label]) => label === 'Approval') || ['', ''];
  if (!state || state.startsWith('as approved')) return '';
  return make('p', { class: 'flag' }, make('b', {}, 'Approval: '), `the patch is ${state.split(':')[0]}. Do not work by it until it is approved.`);
}

function unitCard(i) {
  const units = data.units, patch = units.patch[i], card = make('div', { 'data-unit': units.id[i] });
  card.append(make('h2', { tabindex: '-1' }, 'Unit ', make('bdi', {}, units.id[i])));
  card.append(make('p', { class: 'sub' }, make('bdi', {}, text(data.patches.title[patch])), ', patch ', make('bdi', {}, data.patches.id[patch])));
  card.append(chip(units.class[i], statusWords(i)), approvalFlag(patch));
  if (units.check[i]) card.append(make('p', { class: 'flag' }, make('b', {}, 'Check in the field: '), `distance within the mapping error, or on an assumed width or state: ${text(units.check[i])}`));
  if (text(units.status[i]) === 'withheld') {
    card.append(make('p', {}, 'Details of this patch are left out of the public map.'), lines([[data.lines[0], text(units.amounts[i][0])]]));
    return card;
  }
  const what = pairs(units.what[i]);
  if (what.length) card.append(lines(what));
  else card.append(make('p', { class: 'flag' }, make('b', {}, 'No treatment is planned here.')));
  card.append(make('h3', {}, what.length ? 'Amounts, likely values' : 'Ground'));
  card.append(lines(units.amounts[i].map((number, place) => [data.lines[place], text(number)])));
  const reasons = units.reasons[i].map(text), cautions = units.cautions[i].map(text), other = text(units.other[i]);
  if (reasons.length) card.append(fold(what.length ? 'Reasons' : 'Why not', bullets(reasons), !what.length));
  if (units.setbacks[i].length) card.append(fold(`Setbacks in force (${units.setbacks[i].length})`, setbackList(units.setbacks[i]), true));
  if (cautions.length) card.append(fold(`Permits, notices, conditions (${cautions.length})`, bullets(cautions)));
  const product = data.products.find(([id]) => id === text(units.product[i]));
  if (product) card.append(fold('From the product record', lines(product[1])));
  card.append(judgedFold(i));
  if (other) card.append(fold('Without herbicide', make('p', {}, make('bdi', {}, other))));
  card.append(fold(`Patch ${data.patches.id[patch]}`, patchLines(patch)));
  return card;
}

function patchLines(i) { return lines(pairs(data.patches.lines[i])); }

function unitsOf(patch) {
  return data.units.patch.flatMap((own, i) => (own === patch ? [i] : []));
}

function patchCard(i) {
  const card = make('div', { 'data-patch': data.patches.id[i] });
  card.append(make('h2', { tabindex: '-1' }, 'Patch ', make('bdi', {}, data.patches.id[i])), patchLines(i));
  const list = make('ul', { class: 'results' });
  unitsOf(i).forEach((unit) => list.append(unitButton(unit)));
  if (list.children.length) card.append(make('h3', {}, 'Units'), list);
  return card;
}

function unitButton(i) {
  const button = make('button', { type: 'button', 'data-goto': data.units.id[i] }, make('b', {}, make('bdi', {}, data.units.id[i])),
    ` ${text(data.units.method[i]) || data.classes[data.units.class[i]][1].toLowerCase()}, ${text(data.units.amounts[i][0])}`);
  button.addEventListener('click', () => goTo('units', i));
  return make('li', {}, button);
}

function featureCard(name, i) {
  const item = featureOf(name, i), kind = item.kind || name;
  return make('div', { 'data-feature': name }, make('h2', { tabindex: '-1' }, make('bdi', {}, item.title || kind)),
    item.title ? make('p', { class: 'sub' }, make('bdi', {}, kind)) : '', lines(item.lines));
}

function cardOf(hit) {
  if (hit.name === 'units') return unitCard(hit.i);
  return hit.name === 'patches' ? patchCard(hit.i) : featureCard(hit.name, hit.i);
}

function openCard(at, hits, focus) {
  const zones = zonesAt(at);
  if (!hits.length && !zones.length) { say('Nothing is mapped here.'); return false; }
  const card = hits.length ? cardOf(hits[0]) : make('div', {}, make('h2', { tabindex: '-1' }, 'No patch here'));
  card.classList.add('card');
  if (hits.length > 1) {
    const also = make('p', { class: 'also' }, 'Also here: ');
    hits.slice(1, 7).forEach((hit) => {
      const button = make('button', { type: 'button' }, make('bdi', {}, hitTitle(hit)));
      button.addEventListener('click', () => openCard(at, [hit, ...hits.filter((other) => other !== hit)], true));
      also.append(button);
    });
    card.querySelector('h2').after(also);
  }
  if (zones.length && !(hits.length && hits[0].name === 'units')) {
    const list = make('ul', { class: 'setbacks' }, ...zones.map((place) => make('li', {}, make('b', {}, data.rules[place].id), `: ${text(data.rules[place].says)}`)));
    card.append(fold(`Setback zones at this point (${zones.length})`, list, !hits.length));
  }
  const size = map.getSize();
  const rim = isNarrow() ? 12 : 56;  // on a phone the buttons of the map give way to an open card
  const wide = Math.min(350, size.x - 2 * rim - 30);
  const options = { maxWidth: wide, minWidth: Math.min(290, wide), maxHeight: Math.max(160, size.y * 0.62), autoPanPaddingTopLeft: [rim, 12], autoPanPaddingBottomRight: [rim + 2, 12], className: 'card-popup' };
  L.popup(options).setLatLng(at).setContent(card).openOn(map);
  const scroll = card.closest('.leaflet-popup-content');
  scroll.setAttribute('tabindex', '0');
  scroll.setAttribute('role', 'group');
  scroll.setAttribute('aria-label', 'What lies here');
  if (focus) card.querySelector('h2').focus({ preventScroll: true });
  return true;
}

function say(words) { byId('map-status').textContent = words; }

function goTo(name, i) {
  const place = placeOf(name, i);
  if (!place) return;
  if (isNarrow()) setPanel(false);
  map.fitBounds(boundsOf(shapes[name][i]), { maxZoom: 18.5, padding: [70, 70], animate: false });
  const hit = { name, i };
  const others = findHits(place).filter((other) => other.name !== 'patches' && !(other.name === name && other.i === i));
  const own = (other) => name === 'patches' && other.name === 'units' && data.units.patch[other.i] === i;
  openCard(place, [hit, ...others.filter((other) => !own(other))], true);
}

function startHere() {
  map.on('click', (event) => { if (!isMeasuring()) { const hits = findHits(event.latlng); if (!openCard(event.latlng, hits, false)) map.closePopup(); } });
  let waiting = false;
  map.on('mousemove', (event) => {
    if (waiting) return;
    waiting = true;
    window.setTimeout(() => {
      waiting = false;
      const [x, y] = toWorld(event.latlng.lat, event.latlng.lng);
      map.getContainer().classList.toggle('over', !isMeasuring() && shapes.patches.some((shape) => isHit(shape, x, y, 0)));
    }, 60);
  });
  map.getContainer().addEventListener('keydown', (event) => {
    if (event.key === 'Escape' && map.getContainer().querySelector('.leaflet-popup')) {
      map.closePopup();
      map.getContainer().focus({ preventScroll: true });
    }
    if (event.key !== 'Enter' || event.target !== map.getContainer()) return;
    event.preventDefault();
    const at = map.getCenter();
    if (isMeasuring()) addMeasure(at); else openCard(at, findHits(at), true);
  });
  map.on('popupclose', () => { if (document.activeElement === document.body) map.getContainer().focus({ preventScroll: true }); });
}

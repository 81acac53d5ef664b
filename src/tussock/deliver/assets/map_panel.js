// In: what people type, choose and tick. Out: which units are shown, and the places found.

const chosen = { status: '', method: '', product: '' };
const LISTED = 200, FOUND = 12;

function passes(i) {
  for (const key in chosen) if (chosen[key] !== '' && data.units[key][i] !== chosen[key]) return false;
  return true;
}

function applyFilter() {
  const shown = [...data.units.id.keys()].filter(passes);
  const area = shown.reduce((sum, i) => sum + data.units.area[i], 0);
  byId('filter-count').textContent = `${group(shown.length, 0)} of ${group(data.units.id.length, 0)} units, ${group(area, 2)} ${data.site.area}`;
  listUnits(shown);
  if (picture) picture.redraw();
}

function listUnits(shown) {
  const list = byId('unit-list');
  list.replaceChildren();
  if (!byId('unit-list-box').open) return;
  shown.slice(0, LISTED).forEach((i) => list.append(unitButton(i)));
  if (shown.length > LISTED) list.append(make('li', { class: 'small' }, `and ${group(shown.length - LISTED, 0)} more: narrow them by a filter, or search`));
}

function startFilters() {
  for (const key of Object.keys(chosen)) {
    byId(`filter-${key}`).addEventListener('change', (event) => { chosen[key] = event.target.value === '' ? '' : Number(event.target.value); applyFilter(); });
  }
  byId('filter-clear').addEventListener('click', () => {
    for (const key of Object.keys(chosen)) { chosen[key] = ''; byId(`filter-${key}`).value = ''; }
    applyFilter();
  });
  byId('unit-list-box').addEventListener('toggle', applyFilter);
}

// ---- search: ids first, then plants

function rank(id, plant, words) {
  if (id === words) return 0;
  if (id.startsWith(words)) return 1;
  if (id.includes(words)) return 2;
  return plant.includes(words) ? 3 : 9;
}

function search(query) {
  const words = query.trim().toLocaleLowerCase(), found = [];
  if (!words) return found;
  const look = (name, plantOf) => data[name].id.forEach((id, i) => {
    const place = rank(id.toLocaleLowerCase(), plantOf(i).toLocaleLowerCase(), words);
    if (place < 9) found.push({ name, i, place });
  });
  look('patches', (i) => text(data.patches.title[i]));
  look('units', () => '');
  return found.sort((a, b) => a.place - b.place || (a.name === b.name ? a.i - b.i : a.name === 'patches' ? -1 : 1));
}

function showFound(query) {
  const found = search(query), list = byId('find-list');
  list.replaceChildren();
  found.slice(0, FOUND).forEach(({ name, i }) => {
    const patch = name === 'patches' ? i : data.units.patch[i];
    const button = make('button', { type: 'button' }, name === 'patches' ? 'Patch ' : 'Unit ', make('b', {}, make('bdi', {}, data[name].id[i])), ' ', make('bdi', {}, text(data.patches.title[patch])));
    button.addEventListener('click', () => goTo(name, i));
    list.append(make('li', {}, button));
  });
  const more = found.length > FOUND ? `, the first ${FOUND} are listed` : '';
  byId('find-count').textContent = query.trim() ? (found.length ? `${group(found.length, 0)} found${more}` : 'nothing found') : '';
  return found;
}

function startSearch() {
  const field = byId('find');
  field.addEventListener('input', () => showFound(field.value));
  field.addEventListener('keydown', (event) => {
    if (event.key !== 'Enter') return;
    const [first] = showFound(field.value);
    if (first) goTo(first.name, first.i);
  });
}

// ---- legend: its boxes are the layer control

function startLegend() {
  document.querySelectorAll('[data-swatch]').forEach((place) => drawSwatch(place, place.dataset.swatch));
  document.querySelectorAll('[data-kind]').forEach((place) => drawSwatch(place, '', Number(place.dataset.kind)));
  const boxes = [...document.querySelectorAll('input[data-layer]')];
  boxes.forEach((box) => {
    show(box.dataset.layer, box.checked);
    box.addEventListener('change', () => show(box.dataset.layer, box.checked));
  });
  const all = (on) => boxes.filter((box) => box.dataset.layer.startsWith('zone:')).forEach((box) => { box.checked = on; show(box.dataset.layer, on); });
  if (byId('zones-on')) {
    byId('zones-on').addEventListener('click', () => all(true));
    byId('zones-off').addEventListener('click', () => all(false));
  }
}

// ---- on a phone the panel is folded away while the map is looked at

function isNarrow() { return window.matchMedia('(max-width: 760px)').matches; }

function setPanel(open) {
  document.body.classList.toggle('folded', !open);
  byId('fold').setAttribute('aria-expanded', String(open));
  byId('fold').textContent = open ? 'Hide panel' : 'Search, legend, cautions';
  map.invalidateSize({ pan: false });
}

function startFold() {
  byId('fold').addEventListener('click', () => setPanel(document.body.classList.contains('folded')));
  document.querySelector('.skip').addEventListener('click', () => { setPanel(true); byId('find').focus(); });
  setPanel(!isNarrow());
}

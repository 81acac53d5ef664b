// In: packed shapes, numbers of texts. Out: coordinates, true distances, projected coordinates, elements of the page.
// Text from data only ever becomes a text node: nothing here or in the other scripts writes HTML.

const STEPS = 1e7;
let map, data;

function text(number) { return data.texts[number]; }

function make(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
  element.append(...children.filter((child) => child !== null && child !== ''));
  return element;
}

function byId(id) { return document.getElementById(id); }

// ---- shapes: {a: polygons of rings, l: lines, p: points, box}; a run of vertices is a flat array x, y, x, y, ...
// in pixels of the whole world at zoom 0 (spherical Mercator, for display only), so that drawing is a shift and a scale

function toWorld(lat, lng) { const point = L.CRS.EPSG3857.latLngToPoint(L.latLng(lat, lng), 0); return [point.x, point.y]; }

function toLatLng(x, y) { return L.CRS.EPSG3857.pointToLatLng(L.point(x, y), 0); }

const RAD = Math.PI / 180, WORLD = 256;

function unpackRun(run) {
  const flat = new Float64Array(run.length);
  let x = 0, y = 0;
  for (let i = 0; i < run.length; i += 2) {
    x += run[i]; y += run[i + 1];
    const sine = Math.max(-0.9999999, Math.min(0.9999999, Math.sin(y / STEPS * RAD)));
    flat[i] = WORLD * (0.5 + x / STEPS / 360);
    flat[i + 1] = WORLD * (0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI));
  }
  return flat;
}

function unpack(packed) {
  const shape = {
    a: (packed.a || []).map((rings) => rings.map(unpackRun)),
    l: (packed.l || []).map(unpackRun),
    p: (packed.p || []).map(unpackRun),
  };
  shape.box = boxOf(shape);
  return shape;
}

function boxOf(shape) {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const take = (run) => {
    for (let i = 0; i < run.length; i += 2) {
      if (run[i] < box[0]) box[0] = run[i];
      if (run[i] > box[2]) box[2] = run[i];
      if (run[i + 1] < box[1]) box[1] = run[i + 1];
      if (run[i + 1] > box[3]) box[3] = run[i + 1];
    }
  };
  shape.a.forEach((rings) => take(rings[0]));
  shape.l.forEach(take);
  shape.p.forEach(take);
  return box;
}

function boundsOf(shape) {
  const [west, north, east, south] = shape.box;
  return L.latLngBounds(toLatLng(west, north), toLatLng(east, south));
}

function inRing(x, y, ring) {
  let inside = false;
  for (let i = 0, j = ring.length - 2; i < ring.length; j = i, i += 2) {
    const ay = ring[i + 1], by = ring[j + 1];
    if ((ay > y) !== (by > y) && x < (ring[j] - ring[i]) * (y - ay) / (by - ay) + ring[i]) inside = !inside;
  }
  return inside;
}

function inPolygons(x, y, polygons) {
  return polygons.some((rings) => rings.reduce((inside, ring) => inside !== inRing(x, y, ring), false));
}

// ---- distance on the WGS 84 ellipsoid [m]: Vincenty (1975), Survey Review 23 (176), inverse formula

function geodesic(lat1, lng1, lat2, lng2) {
  const a = 6378137, f = 1 / 298.257223563, b = a * (1 - f), rad = RAD;
  const L = (lng2 - lng1) * rad;
  const u1 = Math.atan((1 - f) * Math.tan(lat1 * rad)), u2 = Math.atan((1 - f) * Math.tan(lat2 * rad));
  const s1 = Math.sin(u1), c1 = Math.cos(u1), s2 = Math.sin(u2), c2 = Math.cos(u2);
  let lambda = L, sinS, cosS, sigma, cos2A, cosM;
  for (let turn = 0; turn < 100; turn++) {
    const sl = Math.sin(lambda), cl = Math.cos(lambda);
    sinS = Math.hypot(c2 * sl, c1 * s2 - s1 * c2 * cl);
    if (sinS === 0) return 0;
    cosS = s1 * s2 + c1 * c2 * cl;
    sigma = Math.atan2(sinS, cosS);
    const sinA = c1 * c2 * sl / sinS;
    cos2A = 1 - sinA * sinA;
    cosM = cos2A === 0 ? 0 : cosS - 2 * s1 * s2 / cos2A;
    const C = f / 16 * cos2A * (4 + f * (4 - 3 * cos2A)), before = lambda;
    lambda = L + (1 - C) * f * sinA * (sigma + C * sinS * (cosM + C * cosS * (2 * cosM * cosM - 1)));
    if (Math.abs(lambda - before) < 1e-13) break;
  }
  const U = cos2A * (a * a - b * b) / (b * b);
  const A = 1 + U / 16384 * (4096 + U * (U * (320 - 175 * U) - 768));
  const B = U / 1024 * (256 + U * (U * (74 - 47 * U) - 128));
  const end = cosS * (2 * cosM * cosM - 1) - B / 6 * cosM * (4 * sinS * sinS - 3) * (4 * cosM * cosM - 3);
  return b * A * (sigma - B * sinS * (cosM + B / 4 * end));
}

// ---- easting and northing by the polynomials of the page (webmap_crs.py), null outside of where they were proved

function scaled(value, low, high) { return (value - (low + high) / 2) / ((high - low) / 2); }

function evaluate(pair, u, v) {
  if (Math.abs(u) > 1 || Math.abs(v) > 1) return null;
  const sums = [0, 0];
  let place = 0;
  for (let i = 0; i <= 5; i++) {
    for (let j = 0; j <= 5 - i; j++, place++) {
      const term = u ** i * v ** j;
      sums[0] += pair[0][place] * term;
      sums[1] += pair[1][place] * term;
    }
  }
  return sums;
}

function toPlane(lat, lng) {
  const crs = data.crs;
  if (!crs) return null;
  const [west, south, east, north] = crs.box;
  return evaluate(crs.forward, scaled(lng, west, east), scaled(lat, south, north));
}

function fromPlane(x, y) {
  const crs = data.crs, [lowX, lowY, highX, highY] = crs.plane;
  const found = evaluate(crs.back, scaled(x, lowX, highX), scaled(y, lowY, highY));
  return found && [found[1], found[0]];
}

// ---- figures

function group(number, places) {
  return number.toLocaleString('en-US', { minimumFractionDigits: places, maximumFractionDigits: places });
}

function sayDistance(metres) {
  if (data.site.system !== 'us') return metres < 1000 ? `${group(metres, 1)} m` : `${group(metres / 1000, 3)} km`;
  const feet = metres / 0.3048;
  return feet < 5280 ? `${group(feet, 1)} ft` : `${group(feet / 5280, 3)} mi`;
}

function turned(lng) { return ((lng + 180) % 360 + 360) % 360 - 180; }

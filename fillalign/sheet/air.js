"use strict";
// Numbers as people type them, with a point or a comma; NaN where there is none.
function typed(text) {
  const plain = String(text).trim().replace(",", ".").replace("\u2212", "-");
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}
// Cubic through the four places of an even table about x; the table's ends hold.
function between(from, step, values, x) {
  const at = (x - from) / step, last = values.length - 1;
  const first = Math.min(Math.max(Math.floor(at) - 1, 0), last - 3), u = at - first;
  const [a, b, c, d] = values.slice(first, first + 4);
  return -a * (u - 1) * (u - 2) * (u - 3) / 6 + b * u * (u - 2) * (u - 3) / 2
    - c * u * (u - 1) * (u - 3) / 2 + d * u * (u - 1) * (u - 2) / 6;
}
function straight(from, step, values, x) {
  const at = Math.min(Math.max((x - from) / step, 0), values.length - 1);
  const first = Math.min(Math.floor(at), values.length - 2), share = at - first;
  return values[first] * (1 - share) + values[first + 1] * share;
}
// The same over places that fall from the first to the last.
function uneven(places, values, x) {
  let next = places.findIndex((place, at) => at > 0 && x >= place);
  if (next < 0) next = places.length - 1;
  const share = (x - places[next - 1]) / (places[next] - places[next - 1]);
  return values[next - 1] * (1 - share) + values[next] * share;
}
// Speed of sound from the table of the library, m/s by temperature and humidity.
function speedAt(air, temperature, humidity) {
  const across = air.speed.map(row => between(air.humidity_from, air.humidity_step, row, humidity));
  return between(air.temperature_from, air.temperature_step, across, temperature);
}
// Humidity with the vapour that the air had when it was planned for, at most 100 %.
function humidityAt(air, temperature) {
  const full = t => Math.exp(between(air.temperature_from, air.temperature_step, air.log_vapour, t));
  return Math.min(100, air.humidity * full(air.temperature) / full(temperature));
}
// The next whole step, as the library rounds: up, so that a fill is not early.
function roundedUp(value, step) { return Math.max(0, Math.ceil(value / step - 0.002) * step); }
function signed(value, digits) {
  const text = Math.abs(value).toFixed(digits);
  return (Number(text) === 0 ? "" : value < 0 ? "\u2212" : "+") + text;
}
function made(name, parent, text, kind) {
  const part = document.createElement(name);
  if (text !== undefined) part.textContent = text;
  if (kind) part.className = kind;
  if (parent) parent.append(part);
  return part;
}

"""How well what is on the screen stands out, computed in the page by WCAG 2.2's own formulas.

Contrast ratio and relative luminance as WCAG defines them ("contrast ratio", "relative luminance");
level AA: 4.5 to 1 for text, 3 to 1 for large text (24 px, or 18.66 px and bold) and for what a
control is known by (success criteria 1.4.3, 1.4.11). Text over the cup has to stand out from the
cup's level, too.
"""

_FORMULAS = r"""
const parse = (c) => {
  const rgb = c.match(/rgba?\(([^)]+)\)/);
  if (rgb) { const p = rgb[1].split(/[ ,\/]+/).map(Number); return [p[0], p[1], p[2], p[3] ?? 1]; }
  const srgb = c.match(/color\(srgb ([^)]+)\)/);
  if (!srgb) throw new Error(c);
  const p = srgb[1].split(/[ \/]+/).map(Number);
  return [255 * p[0], 255 * p[1], 255 * p[2], p[3] ?? 1];
};
const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
const luminance = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
const over = (a, b) => [...[0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3])), 1];
const ratio = (one, other) => {
  const [high, low] = [luminance(one), luminance(other)].sort((a, b) => b - a);
  return (high + 0.05) / (low + 0.05);
};
const ground = (element) => {
  const layers = [];
  for (let e = element; e; e = e.parentElement) {
    layers.push(parse(getComputedStyle(e).backgroundColor));
    if (layers.at(-1)[3] === 1) break;
  }
  return layers.reverse().reduce((below, layer) => over(layer, below), [255, 255, 255, 1]);
};
"""

TEXTS = (
    _FORMULAS
    + r"""
const found = [];
for (const e of document.querySelectorAll('body *')) {
  if (!e.checkVisibility({visibilityProperty: true}) || e.closest('.unseen, .shapes')) continue;
  if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
  const style = getComputedStyle(e);
  const [size, bold] = [parseFloat(style.fontSize), Number(style.fontWeight) >= 700];
  const need = size >= 24 || (size >= 18.66 && bold) ? 3 : 4.5;
  const grounds = [ground(e)];
  const level = document.getElementById('level');
  if (e.closest('#cup') && level.offsetHeight) grounds.push(ground(level));
  for (const one of grounds) {
    const color = parse(e.tagName === 'text' ? style.fill : style.color);
    const name = `${e.id || e.className || e.tagName}: ${e.textContent}`;
    found.push([name, ratio(over(color, one), one), need]);
  }
}
return found;
"""
)
"""Every text that is seen: what it says, its ratio, and the ratio it needs."""

FOCUS = (
    _FORMULAS
    + r"""
const e = document.activeElement;
if (e === document.body) return null;  // between the last one and the first
const ring = e.matches('.pick input') ? e.nextElementSibling : e;
const style = getComputedStyle(ring);
const wide = style.outlineStyle === 'none' ? 0 : parseFloat(style.outlineWidth);
const name = e.id || e.dataset.choice || e.textContent;
return [name, wide, ratio(parse(style.outlineColor), ground(ring.parentElement))];
"""
)
"""What has the focus, how wide its ring is in px, and the ring's ratio to what is around it."""

/**
 * Where things are: pixels of the stack, offsets on the sky, places on the screen.
 * Pixel (i, j) of the stack reaches from i − ½ to i + ½. North is up and east left unless the view is turned.
 * @module
 */

/** @import { View } from "./types.js" */
import { turn } from "./format.js";

const RAD = Math.PI / 180;

/**
 * How the sky is looked at: offset of the middle of the screen from the comet, arcsec per CSS pixel, and what is added to
 * every position angle.
 * @typedef {{east: number, north: number, scale: number, turned_deg: number}} Pose
 *
 * Screen = A·(x, y) + offset: the six numbers of a canvas transform.
 * @typedef {{a: number, b: number, c: number, d: number, e: number, f: number}} Affine
 */

/** The night's grid on the sky. */
export class Grid {
  /** @param {View} view */
  constructor(view) {
    this.view = view;
    this.m = view.arcsec_per_px;
    this.determinant = this.m[0][0] * this.m[1][1] - this.m[0][1] * this.m[1][0];
    this.area_arcsec2 = Math.abs(this.determinant);
    this.arcsec_per_px = Math.sqrt(this.area_arcsec2);
  }

  /** Offset from the comet in arcsec. @param {number} x @param {number} y @returns {[number, number]} east, north */
  offset(x, y) {
    const [dx, dy] = [x - this.view.centre_x_px, y - this.view.centre_y_px];
    return [this.m[0][0] * dx + this.m[0][1] * dy, this.m[1][0] * dx + this.m[1][1] * dy];
  }

  /** @param {number} east @param {number} north @returns {[number, number]} x, y */
  pixel(east, north) {
    const { m, determinant, view } = this;
    return [
      view.centre_x_px + (m[1][1] * east - m[0][1] * north) / determinant,
      view.centre_y_px + (m[0][0] * north - m[1][0] * east) / determinant,
    ];
  }

  /** @param {number} x @param {number} y @returns {{pa_deg: number, rho_arcsec: number}} */
  polar(x, y) {
    const [east, north] = this.offset(x, y);
    return { pa_deg: turn(Math.atan2(east, north) / RAD), rho_arcsec: Math.hypot(east, north) };
  }

  /** @param {number} pa_deg @param {number} rho_arcsec @returns {[number, number]} x, y */
  atPolar(pa_deg, rho_arcsec) {
    return this.pixel(rho_arcsec * Math.sin(pa_deg * RAD), rho_arcsec * Math.cos(pa_deg * RAD));
  }

  /** Place on the sky, by the tangent plane at the comet. @param {number} x @param {number} y @returns {[number, number]} RA, Dec in degrees */
  equatorial(x, y) {
    const [xi, eta] = this.offset(x, y).map((v) => (v / 3600) * RAD);
    const [ra0, dec0] = [this.view.ra_deg * RAD, this.view.dec_deg * RAD];
    const down = Math.cos(dec0) - eta * Math.sin(dec0);
    const ra = ra0 + Math.atan2(xi, down);
    const dec = Math.atan2(Math.sin(dec0) + eta * Math.cos(dec0), Math.hypot(xi, down));
    return [turn(ra / RAD), dec / RAD];
  }

  /** A pose that shows the whole stack. @param {number} width @param {number} height @param {number} turned_deg @returns {Pose} */
  whole(width, height, turned_deg) {
    const { view } = this;
    const unit = { east: 0, north: 0, scale: 1, turned_deg };
    const ends = [[-0.5, -0.5], [view.width_px - 0.5, -0.5], [-0.5, view.height_px - 0.5], [view.width_px - 0.5, view.height_px - 0.5]];
    const t = this.affine(unit, 0, 0);
    const places = ends.map(([x, y]) => apply(t, x, y));
    const span = (/** @type {0|1} */ k) => Math.max(...places.map((p) => p[k])) - Math.min(...places.map((p) => p[k]));
    const [east, north] = this.offset((view.width_px - 1) / 2, (view.height_px - 1) / 2);
    return { east, north, scale: Math.max(span(0) / Math.max(width, 1), span(1) / Math.max(height, 1)), turned_deg };
  }

  /**
   * From pixels of the stack to CSS pixels of a screen of this size.
   * @param {Pose} pose @param {number} width @param {number} height
   * @returns {Affine}
   */
  affine(pose, width, height) {
    const { m, view } = this;
    const [sin, cos] = [Math.sin(pose.turned_deg * RAD), Math.cos(pose.turned_deg * RAD)];
    const s = pose.scale;
    // screen = −(E cos t + N sin t, N cos t − E sin t) / s
    const a = -(m[0][0] * cos + m[1][0] * sin) / s;
    const c = -(m[0][1] * cos + m[1][1] * sin) / s;
    const b = -(m[1][0] * cos - m[0][0] * sin) / s;
    const d = -(m[1][1] * cos - m[0][1] * sin) / s;
    const middle = { x: -(pose.east * cos + pose.north * sin) / s, y: -(pose.north * cos - pose.east * sin) / s };
    return {
      a, b, c, d,
      e: width / 2 - middle.x - a * view.centre_x_px - c * view.centre_y_px,
      f: height / 2 - middle.y - b * view.centre_x_px - d * view.centre_y_px,
    };
  }
}

/** @param {Affine} t @param {number} x @param {number} y @returns {[number, number]} */
export const apply = (t, x, y) => [t.a * x + t.c * y + t.e, t.b * x + t.d * y + t.f];

/** @param {Affine} t @returns {Affine} */
export function inverse(t) {
  const det = t.a * t.d - t.b * t.c;
  const [a, b, c, d] = [t.d / det, -t.b / det, -t.c / det, t.a / det];
  return { a, b, c, d, e: -(a * t.e + c * t.f), f: -(b * t.e + d * t.f) };
}

/** A step on the screen as an offset on the sky. @param {Pose} pose @param {number} dx @param {number} dy @returns {[number, number]} east, north */
export function screenStep(pose, dx, dy) {
  const [sin, cos] = [Math.sin(pose.turned_deg * RAD), Math.cos(pose.turned_deg * RAD)];
  return [-(dx * cos - dy * sin) * pose.scale, -(dx * sin + dy * cos) * pose.scale];
}

/** Direction of a position angle on the screen. @param {number} pa_deg  turned @returns {[number, number]} */
export const direction = (pa_deg) => [-Math.sin(pa_deg * RAD), -Math.cos(pa_deg * RAD)];

/** The rectangle of pixels that a screen shows. @param {Affine} t @param {number} width @param {number} height */
export function shown(t, width, height) {
  const back = inverse(t);
  const ends = [apply(back, 0, 0), apply(back, width, 0), apply(back, 0, height), apply(back, width, height)];
  const [xs, ys] = [ends.map((p) => p[0]), ends.map((p) => p[1])];
  return { x0: Math.min(...xs), x1: Math.max(...xs), y0: Math.min(...ys), y1: Math.max(...ys) };
}

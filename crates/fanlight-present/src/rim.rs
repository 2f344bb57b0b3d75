//! The rim of a square picture of the sky: signs for north, east, the Sun and the orbit, so that nothing covers the coma.

use crate::apart::part;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, text_width, wrap};
use fanlight_record::GeometryRecord;

/// Directions at the comet beside north and east, position angles in degrees; absent where not known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Directions {
    /// Toward the Sun.
    pub sunward_pa_deg: Option<f64>,
    /// Away from the Sun.
    pub antisolar_pa_deg: Option<f64>,
    /// Against the orbital motion.
    pub negative_velocity_pa_deg: Option<f64>,
}

/// A square picture, north up and east left unless it is turned, with room around it for arrows and letters.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rim {
    /// Top left corner of the square.
    pub corner: (f64, f64),
    /// Its side.
    pub side: f64,
    /// Distance of the letters from the square.
    pub room: f64,
    /// Least distance between letters along the rim.
    pub spacing: f64,
    /// Size of the arrows; 1 beside a large picture.
    pub arrows: f64,
    /// What is added to every position angle: 0 with north up.
    pub turned_deg: f64,
}

/// A letter of the rim: where its arrow stands and where the letter went to make room.
struct Mark {
    pa_deg: f64,
    sign: Sign,
    /// Place of the letter along the rim, from the top left corner clockwise, in units.
    along: f64,
    fixed: bool,
}

#[derive(Clone, Copy, PartialEq)]
enum Sign {
    North,
    East,
    Sun,
    AntiSun,
    AntiVelocity,
}

impl Directions {
    /// A night's.
    pub(crate) fn of(g: &GeometryRecord) -> Self {
        Self {
            sunward_pa_deg: Some(g.sunward_pa_deg),
            antisolar_pa_deg: Some(g.antisolar_pa_deg),
            negative_velocity_pa_deg: Some(g.negative_velocity_pa_deg),
        }
    }

    /// Signs and position angles in degrees of those that are known and finite.
    fn known(&self) -> impl Iterator<Item = (Sign, f64)> {
        let all = [
            (Sign::Sun, self.sunward_pa_deg),
            (Sign::AntiSun, self.antisolar_pa_deg),
            (Sign::AntiVelocity, self.negative_velocity_pa_deg),
        ];
        all.into_iter().filter_map(|(sign, pa)| pa.filter(|pa| pa.is_finite()).map(|pa| (sign, pa)))
    }
}

impl Rim {
    /// Arrows and letters.
    pub fn draw(&self, canvas: &mut Canvas, directions: &Directions) {
        let theme = canvas.theme;
        let middle = self.middle();
        for mark in self.marks(directions) {
            self.draw_arrow(canvas, &mark);
            let colour = mark.sign.colour(canvas);
            let letter = rim_point(mark.along, self.side / 2.0 + self.room);
            let letter = (middle.0 + letter.0, middle.1 + letter.1);
            let style = TextStyle::new(14.0, colour).bold().anchor(Anchor::Middle);
            let below = (letter.0, letter.1 + 5.0);
            match mark.sign {
                Sign::North => canvas.text(below, style, "N"),
                Sign::East => canvas.text(below, style, "E"),
                Sign::Sun => canvas.sun(letter, 7.0),
                Sign::AntiSun => anti_sun(canvas, letter, 7.0),
                Sign::AntiVelocity => canvas.text(below, TextStyle { colour: theme.first, ..style }, "−v"),
            }
        }
    }

    /// Signs for small pictures that tell directions apart by their shape: the Sun's symbol, a triangle away from it, a hollow
    /// triangle against the orbital motion; ticks for north and east where north is up, a letter for north where it is not or
    /// where there is room.
    pub fn draw_small(&self, canvas: &mut Canvas, directions: &Directions, letter: Option<[&'static str; 2]>) {
        for mark in self.marks(directions) {
            let place = |away: f64| self.outside(mark.pa_deg, away);
            match mark.sign {
                Sign::North => {
                    canvas.line(place(1.0), place(5.0), Stroke::new(canvas.theme.ink, 1.4));
                    if let Some([ink, halo]) = letter {
                        let (x, y) = place(-9.0);
                        let style = TextStyle::new(11.5, ink).bold().anchor(Anchor::Middle).halo(halo);
                        canvas.text((x, y + 4.0), style, "N");
                    }
                }
                Sign::East if self.turned_deg != 0.0 => {}
                Sign::East => canvas.line(place(1.0), place(5.0), Stroke::new(canvas.theme.ink, 1.4)),
                sign => sign.draw_small(canvas, place(SMALL_AWAY), mark.pa_deg),
            }
        }
    }

    /// The place at a position angle so far beyond the square's edge.
    fn outside(&self, pa_deg: f64, away: f64) -> (f64, f64) {
        let middle = self.middle();
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        let (dx, dy) = (-sin, -cos);
        let exit = self.side / 2.0 / dx.abs().max(dy.abs()) + away / dx.abs().max(dy.abs());
        (middle.0 + dx * exit, middle.1 + dy * exit)
    }

    /// Arrows alone.
    pub fn draw_arrows(&self, canvas: &mut Canvas, directions: &Directions) {
        for mark in self.marks(directions) {
            self.draw_arrow(canvas, &mark);
        }
    }

    fn draw_arrow(&self, canvas: &mut Canvas, mark: &Mark) {
        let colour = mark.sign.colour(canvas);
        let middle = self.middle();
        // screen direction of a position angle: north up, east left
        let (sin, cos) = mark.pa_deg.to_radians().sin_cos();
        let (dx, dy) = (-sin, -cos);
        let exit = self.side / 2.0 / dx.abs().max(dy.abs());
        let foot = (middle.0 + dx * exit, middle.1 + dy * exit);
        let at = |along: f64, across: f64| {
            let (along, across) = (self.arrows * along, self.arrows * across);
            (foot.0 + dx * along - dy * across, foot.1 + dy * along + dx * across)
        };
        if mark.fixed {
            canvas.line(at(2.0, 0.0), at(10.0, 0.0), Stroke::new(colour, 1.6));
        } else {
            canvas.polygon(&[at(13.0, 0.0), at(3.0, 4.5), at(3.0, -4.5)], colour);
        }
    }

    fn middle(&self) -> (f64, f64) {
        (self.corner.0 + self.side / 2.0, self.corner.1 + self.side / 2.0)
    }

    /// The rim's signs with letters at least `spacing` apart.
    fn marks(&self, directions: &Directions) -> Vec<Mark> {
        let half = self.side / 2.0 + self.room;
        let mut marks: Vec<Mark> = [(Sign::North, 0.0), (Sign::East, 90.0)]
            .into_iter()
            .chain(directions.known())
            .map(|(sign, pa_deg)| (sign, pa_deg + self.turned_deg))
            .map(|(sign, pa_deg)| Mark {
                pa_deg,
                sign,
                along: along_rim(pa_deg, half),
                fixed: matches!(sign, Sign::North | Sign::East),
            })
            .collect();
        let mut along: Vec<f64> = marks.iter().map(|m| m.along).collect();
        let held: Vec<bool> = marks.iter().map(|m| m.fixed).collect();
        part(&mut along, &held, self.spacing, 8.0 * half);
        marks.iter_mut().zip(along).for_each(|(mark, along)| mark.along = along);
        marks
    }
}

/// Distance of small signs from the square, and half their size.
const SMALL_AWAY: f64 = 4.8;
const SMALL: f64 = 3.4;

impl Sign {
    /// A small sign about a place; triangles point outward.
    fn draw_small(self, canvas: &mut Canvas, (x, y): (f64, f64), pa_deg: f64) {
        let colour = self.colour(canvas);
        if self == Self::Sun {
            canvas.ring((x, y), SMALL, Stroke::new(colour, 1.1));
            return canvas.dot((x, y), 1.1, colour);
        }
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        let (dx, dy) = (-sin, -cos);
        let at = |along: f64, across: f64| (x + dx * along - dy * across, y + dy * along + dx * across);
        let corners = [at(1.1 * SMALL, 0.0), at(-0.9 * SMALL, SMALL), at(-0.9 * SMALL, -SMALL)];
        if self == Self::AntiSun {
            canvas.polygon(&corners, colour);
        } else {
            canvas.polyline(&[corners[0], corners[1], corners[2], corners[0]], Stroke::new(colour, 1.3));
        }
    }

    fn colour(self, canvas: &Canvas) -> &'static str {
        match self {
            Self::North | Self::East => canvas.theme.ink,
            Self::Sun | Self::AntiSun => canvas.theme.sun,
            Self::AntiVelocity => canvas.theme.first,
        }
    }
}

/// The sign for the direction away from the Sun.
pub(crate) fn anti_sun(canvas: &mut Canvas, at: (f64, f64), radius: f64) {
    let stroke = Stroke::new(canvas.theme.sun, 1.7);
    canvas.line((at.0 - 13.0, at.1), (at.0 - 6.5, at.1), stroke);
    canvas.sun((at.0 + 4.5, at.1), radius);
}

/// What the rim's signs mean, in one line from `left` on.
pub(crate) fn draw_legend(canvas: &mut Canvas, left: f64, y: f64, directions: &Directions) {
    let theme = canvas.theme;
    let style = TextStyle::new(12.0, theme.ink);
    let mut x = left;
    let mut word = |canvas: &mut Canvas, room: f64, text: &str| {
        let at = x + room;
        canvas.text((at, y + 4.5), style, text);
        x = at + text_width(text, 12.0) + 20.0;
        x
    };
    let mut next = left;
    for (sign, _) in directions.known() {
        next = match sign {
            Sign::Sun => {
                canvas.sun((next + 7.0, y), 6.0);
                word(canvas, 20.0, "toward the Sun")
            }
            Sign::AntiSun => {
                anti_sun(canvas, (next + 13.0, y), 6.0);
                word(canvas, 30.0, "away from the Sun")
            }
            Sign::AntiVelocity => {
                canvas.text((next, y + 4.5), TextStyle::new(12.5, theme.first).bold(), "−v");
                word(canvas, 22.0, "against the orbital motion")
            }
            // always shown: said last
            Sign::North | Sign::East => next,
        };
    }
    word(canvas, 0.0, "N north, E east");
}

/// What the rim's signs mean, one under the other in a column so wide; 80 units high, or 16 more where a line is broken.
pub(crate) fn draw_legend_column(canvas: &mut Canvas, (left, top): (f64, f64), width: f64) {
    let theme = canvas.theme;
    let style = TextStyle::new(12.5, theme.ink);
    let letters = |colour| TextStyle::new(12.5, colour).bold().anchor(Anchor::Middle);
    let middle = left + 12.0;
    let mut y = top;
    for (sign, words) in [
        (Some(Sign::Sun), "toward the Sun"),
        (Some(Sign::AntiSun), "away from the Sun"),
        (Some(Sign::AntiVelocity), "against the orbital motion"),
        (None, "north, east"),
    ] {
        match sign {
            Some(Sign::Sun) => canvas.sun((middle, y), 6.0),
            Some(Sign::AntiSun) => anti_sun(canvas, (middle, y), 6.0),
            Some(_) => canvas.text((middle, y + 4.5), letters(theme.first), "−v"),
            None => canvas.text((middle, y + 4.5), letters(theme.ink), "N E"),
        }
        let lines = wrap(words, 12.5, width - 34.0);
        for (i, line) in lines.iter().enumerate() {
            canvas.text((left + 34.0, y + 4.5 + 16.0 * i as f64), style, line);
        }
        y += 20.0 + 16.0 * lines.len().saturating_sub(1) as f64;
    }
}

/// What small signs mean, in one line from `left` on; `compass` says what the ticks are.
pub(crate) fn draw_small_legend(canvas: &mut Canvas, left: f64, y: f64, compass: &str) {
    let style = TextStyle::new(12.0, canvas.theme.ink);
    let mut x = left;
    for (sign, words) in [
        (Sign::Sun, "toward the Sun"),
        (Sign::AntiSun, "away from the Sun"),
        (Sign::AntiVelocity, "against the orbital motion"),
    ] {
        sign.draw_small(canvas, (x + 5.0, y), 0.0);
        canvas.text((x + 15.0, y + 4.5), style, words);
        x += 15.0 + text_width(words, 12.0) + 20.0;
    }
    canvas.text((x, y + 4.5), style, compass);
}

/// Where the ray at a position angle leaves a square of half-side `half`, along its rim from the top left clockwise.
fn along_rim(pa_deg: f64, half: f64) -> f64 {
    let (sin, cos) = pa_deg.to_radians().sin_cos();
    let (dx, dy) = (-sin, -cos);
    let scale = half / dx.abs().max(dy.abs());
    let (x, y) = (dx * scale, dy * scale);
    if dy < 0.0 && dy.abs() >= dx.abs() {
        x + half
    } else if dx > 0.0 && dx.abs() >= dy.abs() {
        2.0 * half + y + half
    } else if dy > 0.0 && dy.abs() >= dx.abs() {
        4.0 * half + half - x
    } else {
        6.0 * half + half - y
    }
}

/// The inverse of [`along_rim`]: offset from the middle.
fn rim_point(along: f64, half: f64) -> (f64, f64) {
    let side = 2.0 * half;
    let rest = along.rem_euclid(side) - half;
    match (along / side) as usize % 4 {
        0 => (rest, -half),
        1 => (half, rest),
        2 => (-rest, half),
        _ => (-half, -rest),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rim_places_and_their_inverse_agree() {
        for pa in 0..360 {
            let along = along_rim(f64::from(pa), 100.0);
            let (x, y) = rim_point(along, 100.0);
            let back = (-x).atan2(-y).to_degrees().rem_euclid(360.0);
            let difference = (back - f64::from(pa) + 180.0).rem_euclid(360.0) - 180.0;
            assert!(difference.abs() < 1e-9, "{pa} {along} {back}");
        }
        assert_eq!(rim_point(along_rim(0.0, 100.0), 100.0), (0.0, -100.0));
        let (x, y) = rim_point(along_rim(90.0, 100.0), 100.0);
        assert!(x == -100.0 && y.abs() < 1e-9, "east is left");
    }

    fn directions(sun: f64, anti: f64, velocity: f64) -> Directions {
        Directions { sunward_pa_deg: Some(sun), antisolar_pa_deg: Some(anti), negative_velocity_pa_deg: Some(velocity) }
    }

    #[test]
    fn letters_keep_apart_whatever_the_directions() {
        let rim = Rim { corner: (0.0, 0.0), side: 584.0, room: 26.0, spacing: 34.0, arrows: 1.0, turned_deg: 0.0 };
        let around = 8.0 * (rim.side / 2.0 + rim.room);
        for (sun, anti, velocity) in
            [(0.0, 180.0, 0.0), (1.0, 181.0, 359.0), (90.0, 270.0, 90.5), (45.0, 225.0, 45.0), (10.0, 12.0, 2.0)]
        {
            let marks = rim.marks(&directions(sun, anti, velocity));
            assert_eq!(marks.len(), 5);
            for a in 0..5 {
                for b in 0..a {
                    let gap = (marks[a].along - marks[b].along).rem_euclid(around);
                    assert!(gap.min(around - gap) >= rim.spacing - 0.1, "{sun} {velocity}: {gap}");
                }
            }
        }
        assert_eq!(rim.marks(&directions(f64::NAN, f64::INFINITY, 3.0)).len(), 3);
        assert_eq!(rim.marks(&Directions::default()).len(), 2);
    }
}

//! From two lists to the best joint reading of them: triangles of alike shape propose a map, the other stars judge it.

use super::SolveConfig;
use super::fit::Affine;
use super::grid::Grid;
use super::lists::{Found, Listed, Plane};
use super::odds::{Chart, Match, Room, judge};
use super::triangles::{ShapeTable, TableConfig, Triangle, canonical};
use crate::SkyPosition;
use nalgebra::Complex;
use std::f64::consts::{PI, TAU};

/// The best map that was found.
pub(super) struct Reading {
    /// From the frame, counted from its middle, to the gnomonic plane about `centre`, (east, north) in nominal px.
    pub matched: Match,
    /// Where the middle of the frame is, nearly.
    pub centre: SkyPosition,
}

/// How many stars propose: the frame's brightest, and how much deeper the catalogue is drawn on per area. Bright stars
/// that the frame lacks (saturated, blended) push its own down the catalogue's order, hence the deeper rounds.
const ROUNDS: [(usize, f64); 4] = [(20, 1.3), (36, 1.5), (36, 4.0), (100, 2.0)];
/// The frame's stars that judge, and the catalogue's depth against theirs.
pub(super) const JUDGES: usize = 100;
pub(super) const JUDGES_DEPTH: f64 = 2.0;
/// Most catalogue triangles of a round, and most pairs of triangles that are alike by chance.
const MOST_TRIANGLES: f64 = 8e5;
const MOST_ALIKE: f64 = 1e5;
/// A round ends at this many times the numbers that evenly spread stars would give.
const WORST_CASE: f64 = 5.0;
/// Error of a place on the plane: centroids, blends, and the two lists' difference.
const PLACE_ERROR_PX: f64 = 0.7;
/// Change of shape by distortion across a triangle.
const BEND: f64 = 0.002;
/// Odds so good that no other reading needs to be looked at, log10 above the limit.
const BEYOND_DOUBT: f64 = 9.0;

/// The lists, ready for the search.
struct Scene<'a> {
    config: &'a SolveConfig,
    found: &'a Found,
    judges: Found,
    /// The judges as the stereographic plane of the frame has them.
    judges_flat: Vec<[f64; 2]>,
    listed: &'a Listed,
    /// About the pointing.
    patch: Plane,
    /// Brightest catalogue stars on the patch, as deep as the judges need.
    chart: Grid,
    /// Those stars per square px.
    density: f64,
    frame_px: [f64; 2],
    half_diagonal_px: f64,
}

/// The best reading by odds, good enough or not; `None` where no map joined enough stars.
pub(super) fn search(found: &Found, listed: &Listed, config: &SolveConfig) -> Option<Reading> {
    let frame_px = [config.width as f64, config.height as f64];
    let patch = Plane::new(config.pointing, config.pixel_scale_arcsec);
    let frame_own = Plane::new(SkyPosition::new(0.0, 0.0), config.pixel_scale_arcsec);
    let judges = found.brightest(JUDGES, config);
    let places: Vec<[f64; 2]> = listed.direction.iter().map(|d| patch.stereographic(*d)).collect();
    let patch_area = covered_area(&places).min(PI * patch_radius_px(config).powi(2));
    let frame_area = frame_px[0] * frame_px[1];
    let of_depth =
        |stars: usize, depth: f64| ((stars as f64 * depth * patch_area / frame_area).ceil() as usize).min(places.len());
    let charted = of_depth(judges.at.len(), JUDGES_DEPTH);
    let scene = Scene {
        config,
        found,
        judges_flat: judges.at.iter().map(|p| frame_own.gnomonic_to_stereographic(*p)).collect(),
        judges,
        listed,
        patch,
        density: charted as f64 / patch_area,
        chart: Grid::new(places[..charted].to_vec(), 0.05 * frame_px[0].min(frame_px[1])),
        frame_px,
        half_diagonal_px: frame_px[0].hypot(frame_px[1]) / 2.0,
    };
    let mut best: Option<Reading> = None;
    let mut before = (0, 0);
    for (stars, depth) in ROUNDS {
        let ours = scene.found.brightest(stars, config);
        let theirs = of_depth(ours.at.len(), depth);
        if (ours.at.len(), theirs) == before {
            continue;
        }
        before = (ours.at.len(), theirs);
        let ours: Vec<[f64; 2]> = ours.at.iter().map(|p| frame_own.gnomonic_to_stereographic(*p)).collect();
        scene.round(&ours, &places[..theirs], patch_area, &mut best);
        if best.as_ref().is_some_and(|b| b.matched.log10_odds >= config.min_log10_odds) {
            break;
        }
    }
    best
}

/// Area that the catalogue covers: a file of one field is much smaller than where the frame may point.
fn covered_area(places: &[[f64; 2]]) -> f64 {
    let side = |axis: usize| {
        let along = || places.iter().map(|p| p[axis]);
        // a list of stars on one line covers something too
        (along().fold(f64::NEG_INFINITY, f64::max) - along().fold(f64::INFINITY, f64::min)).max(1.0)
    };
    if places.is_empty() { 1.0 } else { side(0) * side(1) }
}

/// Radius of the patch in which the frame can lie.
pub(super) fn patch_radius_px(config: &SolveConfig) -> f64 {
    let half_diagonal = (config.width as f64).hypot(config.height as f64) / 2.0;
    config.pointing_error_deg * 3600.0 / config.pixel_scale_arcsec + half_diagonal * (1.0 + config.scale_error)
}

impl Scene<'_> {
    /// One depth of both lists.
    fn round(&self, ours: &[[f64; 2]], theirs: &[[f64; 2]], patch_area: f64, best: &mut Option<Reading>) {
        let largest = 1.0 + self.config.scale_error;
        let smallest = 1.0 - self.config.scale_error;
        let longest = self.longest_side(ours.len(), theirs.len(), patch_area);
        let table = ShapeTable::new(
            ours,
            &TableConfig {
                shortest: 0.2 * longest,
                longest: longest / largest,
                place_error: PLACE_ERROR_PX,
                bend: BEND,
            },
        );
        if table.len() == 0 {
            return;
        }
        let grid = Grid::new(theirs.to_vec(), longest / 2.0);
        let shortest = 0.2 * longest * smallest;
        let mut near: Vec<u32> = Vec::new();
        // clustered stars make more triangles than evenly spread ones
        let (mut triangles_left, mut alike_left) = (WORST_CASE * MOST_TRIANGLES, WORST_CASE * MOST_ALIKE);
        for a in 0..theirs.len() {
            if triangles_left <= 0.0 || alike_left <= 0.0 {
                return;
            }
            near.clear();
            grid.within(theirs[a], longest, |i, _| {
                if i > a {
                    near.push(i as u32);
                }
            });
            triangles_left -= 0.5 * (near.len() as f64).powi(2);
            for (index, b) in near.iter().enumerate() {
                for c in &near[index + 1..] {
                    let (p, q) = (theirs[*b as usize], theirs[*c as usize]);
                    let d2 = (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2);
                    if d2 > longest * longest {
                        continue;
                    }
                    let Some(their) = canonical(theirs, [a as u32, *b, *c]) else { continue };
                    if their.longest < shortest {
                        continue;
                    }
                    for our in table.alike(their.shape) {
                        let stretch = their.longest / our.longest;
                        if stretch < smallest || stretch > largest {
                            continue;
                        }
                        alike_left -= 1.0;
                        self.propose(ours, our, theirs, &their, best);
                        if best
                            .as_ref()
                            .is_some_and(|b| b.matched.log10_odds >= self.config.min_log10_odds + BEYOND_DOUBT)
                        {
                            return;
                        }
                    }
                }
            }
        }
    }

    /// The longest side that keeps the number of triangles, and of those alike by chance, within bounds.
    fn longest_side(&self, ours: usize, theirs: usize, patch_area: f64) -> f64 {
        let (ours, theirs) = (ours as f64, theirs as f64);
        let frame_area = self.frame_px[0] * self.frame_px[1];
        let corner = |n: f64| n * (n - 1.0).max(0.0) * (n - 2.0).max(0.0) / 6.0;
        // each star's neighbours within the side, a sixth of the ordered pairs, and the 0.59 of them that are near each other
        let within = |n: f64, area: f64, side: f64| {
            let neighbours = (n / area * PI * side * side).min(n);
            (n * neighbours * neighbours / 6.0 * 0.59).min(corner(n))
        };
        let mut side = 2.0 * self.half_diagonal_px * (1.0 + self.config.scale_error);
        loop {
            let tolerance = PLACE_ERROR_PX / (0.6 * side) + BEND;
            let triangles = within(theirs, patch_area, side);
            // the region of shapes has an area near 0.3; the scale passes about half
            let alike = within(ours, frame_area, side) * triangles * (PI * tolerance * tolerance / 0.3) * 0.5;
            if (triangles <= MOST_TRIANGLES && alike <= MOST_ALIKE) || side < 30.0 * PLACE_ERROR_PX {
                return side;
            }
            side *= 0.93;
        }
    }

    /// Judges the map by which one triangle falls on the other.
    fn propose(
        &self,
        ours: &[[f64; 2]],
        our: &Triangle,
        theirs: &[[f64; 2]],
        their: &Triangle,
        best: &mut Option<Reading>,
    ) {
        let mirrored = our.reflected != their.reflected;
        let complex = |p: [f64; 2]| Complex::new(p[0], p[1]);
        let hand = |z: Complex<f64>| if mirrored { z.conj() } else { z };
        let z = our.corners.map(|i| hand(complex(ours[i as usize])));
        let w = their.corners.map(|i| complex(theirs[i as usize]));
        let (z0, w0) = ((z[0] + z[1] + z[2]) / 3.0, (w[0] + w[1] + w[2]) / 3.0);
        let (mut size, mut sum) = (0.0, Complex::new(0.0, 0.0));
        for i in 0..3 {
            size += (z[i] - z0).norm_sqr();
            sum += (z[i] - z0).conj() * (w[i] - w0);
        }
        let turn = sum / size;
        let offset = w0 - turn * z0;
        let allowed = self.config.pointing_error_deg * 3600.0 / self.config.pixel_scale_arcsec;
        if offset.norm_sqr() > allowed * allowed {
            return;
        }
        let reach = |p: Complex<f64>| {
            2.0 * PLACE_ERROR_PX * (1.0 + 1.5 * (p - z0).norm() / our.longest) + 2.0 * BEND * p.norm()
        };
        if !self.promising(ours, our, |p| hand(complex(p)), turn, offset, reach) {
            return;
        }
        // the same map on the gnomonic plane about the frame's middle, as the camera sees it
        let centre = SkyPosition::from_vector(self.patch.direction([offset.re, offset.im]));
        let plane = Plane::new(centre, self.config.pixel_scale_arcsec);
        let radius = self.half_diagonal_px * (1.0 + self.config.scale_error) * 1.02;
        let (mut places, mut magnitude) = (Vec::new(), Vec::new());
        self.chart.within([offset.re, offset.im], radius, |i, _| {
            places.push(plane.gnomonic(self.listed.direction[i]));
            magnitude.push(self.listed.magnitude[i]);
        });
        let step = self.half_diagonal_px / 2.0;
        let corners = [[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]];
        let seeds = corners.map(|p| {
            let to = turn * hand(complex(p)) + offset;
            (p, plane.gnomonic(self.patch.direction([to.re, to.im])))
        });
        let Some(start) = Affine::similar(seeds.into_iter()) else { return };
        let places = Grid::new(places, self.half_diagonal_px / 10.0);
        let chart = Chart { places: &places, magnitude: &magnitude };
        let room = Room {
            shift_px: allowed,
            turn_rad: TAU,
            ln_scale: ((1.0 + self.config.scale_error) / (1.0 - self.config.scale_error)).ln(),
            hands: 2.0,
        };
        let reach_px = 4.0 * PLACE_ERROR_PX + 3.0 * BEND * self.half_diagonal_px;
        let Some(matched) = judge(&self.judges, &chart, self.frame_px, (start, reach_px), &room) else { return };
        let stretch = matched.map.area().sqrt();
        if (stretch - 1.0).abs() > self.config.scale_error + 0.002 {
            return;
        }
        if best.as_ref().is_none_or(|b| matched.log10_odds > b.matched.log10_odds) {
            *best = Some(Reading { matched, centre });
        }
    }

    /// Goes through the judges until they speak clearly for or against: a sequential test of ratios of likelihoods
    /// (Wald 1945, Annals of Mathematical Statistics 16, 117).
    fn promising(
        &self,
        ours: &[[f64; 2]],
        our: &Triangle,
        hand: impl Fn([f64; 2]) -> Complex<f64>,
        turn: Complex<f64>,
        offset: Complex<f64>,
        reach: impl Fn(Complex<f64>) -> f64,
    ) -> bool {
        /// Share of the judges that have a counterpart, if the map is right; the least that is worth a look.
        const JOINED: f64 = 0.3;
        let corners = our.corners.map(|i| ours[i as usize]);
        let mut ln_ratio = 0.0;
        for p in &self.judges_flat {
            if corners.contains(p) {
                continue;
            }
            let z = hand(*p);
            let radius = reach(z);
            let to = turn * z + offset;
            let chance = (self.density * PI * radius * radius).min(0.3);
            ln_ratio += match self.chart.nearest([to.re, to.im], radius) {
                Some(_) => ((JOINED + (1.0 - JOINED) * chance) / chance).ln(),
                None => (1.0 - JOINED).ln(),
            };
            if ln_ratio > 7.0 {
                return true;
            }
            if ln_ratio < -3.5 {
                return false;
            }
        }
        ln_ratio > 0.0
    }
}

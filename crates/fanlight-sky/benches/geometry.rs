//! Times of places, geometry and WCS: `cargo bench -p fanlight-sky`.

use criterion::{Criterion, criterion_group, criterion_main};
use fanlight_sky::{
    HeaderCards, Motion, OrbitElements, PixelXy, Site, SkyPosition, UtcInstant, Wcs, comet_position, viewing_geometry,
};
use std::hint::black_box;

const SITE: Site = Site { longitude_deg: -3.25, latitude_deg: 51.2, height_m: 310.0 };

fn orbit() -> OrbitElements {
    OrbitElements {
        epoch_jd_tdb: 2_463_000.5,
        perihelion_jd_tdb: 2_463_049.123_45,
        q_au: 1.2345,
        e: 1.0002,
        inclination_deg: 45.1,
        node_deg: 120.2,
        argument_of_perihelion_deg: 230.3,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    }
}

/// A frame of 2″ pixels with a distortion of order 3, some pixels in the corners.
struct Distorted;

impl HeaderCards for Distorted {
    fn number(&self, key: &str) -> Option<f64> {
        Some(match key {
            "CRPIX1" | "CRPIX2" => 1024.5,
            "CRVAL1" => 150.0,
            "CRVAL2" => 20.0,
            "CD1_1" => -2.0 / 3600.0,
            "CD2_2" => 2.0 / 3600.0,
            "CD1_2" | "CD2_1" => 1e-5,
            "A_ORDER" | "B_ORDER" => 3.0,
            "A_2_0" | "B_1_1" => 2e-6,
            "A_0_2" | "B_0_2" => -1e-6,
            "A_3_0" | "B_0_3" | "A_1_2" | "B_2_1" => 3e-9,
            _ => return None,
        })
    }
    fn text(&self, key: &str) -> Option<String> {
        match key {
            "CTYPE1" => Some("RA---TAN-SIP".into()),
            "CTYPE2" => Some("DEC--TAN-SIP".into()),
            _ => None,
        }
    }
    fn contains(&self, key: &str) -> bool {
        self.number(key).is_some() || self.text(key).is_some()
    }
}

fn places(c: &mut Criterion) {
    let at = UtcInstant::from_jd(2_463_020.25);
    let pushed = Motion::two_body(OrbitElements { a1_au_d2: 1e-8, a2_au_d2: -2e-9, ..orbit() });
    let perturbed = Motion::perturbed(orbit(), at.tdb(), at.tdb()).unwrap();
    let orbit = Motion::two_body(orbit());
    c.bench_function("geometry_record", |b| b.iter(|| viewing_geometry(black_box(&orbit), &SITE, at).unwrap()));
    c.bench_function("comet_position", |b| b.iter(|| comet_position(black_box(&orbit), &SITE, at).unwrap()));
    c.bench_function("comet_position_non_gravitational", |b| {
        b.iter(|| comet_position(black_box(&pushed), &SITE, at).unwrap());
    });
    c.bench_function("comet_position_perturbed", |b| {
        b.iter(|| comet_position(black_box(&perturbed), &SITE, at).unwrap());
    });
    let mut slow = c.benchmark_group("motion_perturbed");
    slow.sample_size(10);
    for (name, days) in [("60_days", 60.0), ("10_years", 3652.5)] {
        let to = at.tdb().minus_days(-days);
        slow.bench_function(name, |b| b.iter(|| Motion::perturbed(black_box(self::orbit()), at.tdb(), to).unwrap()));
    }
    slow.finish();
}

fn wcs(c: &mut Criterion) {
    let plain = Wcs::tangent(
        SkyPosition::new(150.0, 20.0),
        PixelXy { x_px: 1023.5, y_px: 1023.5 },
        [[-2.0 / 3600.0, 1e-5], [1e-5, 2.0 / 3600.0]],
    )
    .unwrap();
    let (distorted, _) = Wcs::from_header(&Distorted).unwrap().unwrap();
    for (name, wcs) in [("tan", plain), ("sip3", distorted)] {
        let pixel = PixelXy { x_px: 1700.25, y_px: 333.75 };
        let place = wcs.sky_from_pixel(pixel);
        c.bench_function(&format!("wcs_{name}_forward"), |b| b.iter(|| wcs.sky_from_pixel(black_box(pixel))));
        c.bench_function(&format!("wcs_{name}_inverse"), |b| b.iter(|| wcs.pixel_from_sky(black_box(place)).unwrap()));
    }
}

criterion_group!(benches, places, wcs);
criterion_main!(benches);

//! Star lists: what goes in comes out, by circles as from the whole table, and nothing that is broken is believed.

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use fanlight_io::{Catalogue, CatalogueStar, Cone, ImportConfig, Imported, IoError, import_star_list, load_catalogue};
use fanlight_sky::SkyPosition;

use crate::data;

/// Numerical Recipes' 64-bit linear congruential generator; the upper bits are even enough for places.
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Stars evenly over the sky, and more of them at both poles and about right ascension 0.
fn sky(n: usize) -> String {
    let mut random = Random(20310304);
    let mut text = String::from("ra_deg,dec_deg,r,r_err,g,name,pmra_mas_yr,pmdec_mas_yr,epoch_yr\n");
    for i in 0..n {
        let (ra, dec) = (360.0 * random.unit(), (2.0 * random.unit() - 1.0).asin().to_degrees());
        let (ra, dec) = match i % 10 {
            0 => (ra, 90.0 - 3.0 * random.unit()),
            1 => (ra, -90.0 + 3.0 * random.unit()),
            2 => ((359.0 + 2.0 * random.unit()) % 360.0, dec),
            _ => (ra, dec),
        };
        let (r, g) = (8.0 + 12.0 * random.unit(), 9.0 + 12.0 * random.unit());
        let motion = if i % 3 == 0 { ",," } else { "-12.34,5.6,2016" };
        let g = if i % 4 == 0 { String::new() } else { format!("{g:.3}") };
        writeln!(text, "{ra},{dec},{r:.3},0.021,{g},x{i},{motion}").unwrap();
    }
    text.push_str("0,90,9.5,,,pole,,,\n12,-90,9.5,,,pole,,,\n360,0,9.5,,,wrap,,,\n");
    text
}

fn import(tables: &[PathBuf], out: &Path, bands: &[&str]) -> Result<Imported, IoError> {
    let bands = bands.iter().map(|b| (*b).to_owned()).collect();
    import_star_list(tables, out, &ImportConfig { bands, ..ImportConfig::default() }, &mut |_| {})
}

fn written(dir: &Path, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
    let path = dir.join(name);
    fs::write(&path, text).unwrap();
    path
}

fn sorted(mut stars: Vec<CatalogueStar>) -> Vec<CatalogueStar> {
    stars.sort_by(|a, b| a.ra_deg.total_cmp(&b.ra_deg).then(a.dec_deg.total_cmp(&b.dec_deg)));
    stars
}

fn inside(catalogue: &Catalogue, cone: &Cone) -> Vec<CatalogueStar> {
    let holds = |s: &&CatalogueStar| cone.holds(&SkyPosition::new(s.ra_deg, s.dec_deg));
    sorted(catalogue.stars.iter().filter(holds).cloned().collect())
}

#[test]
fn circles_of_the_list_are_circles_of_the_table() {
    let dir = tempfile::tempdir().unwrap();
    let csv = written(dir.path(), "sky.csv", sky(6000));
    let table = load_catalogue(&csv, None).unwrap();
    let circles =
        [(0.0, 90.0), (77.0, -90.0), (0.0, 0.0), (359.99, 30.0), (180.0, 41.81), (45.0, -41.81), (200.0, 5.0)];
    for order in [0, 2, 6, 8] {
        let out = dir.path().join(format!("sky-{order}.stars"));
        let config = ImportConfig { order, ..ImportConfig::default() };
        let imported = import_star_list(std::slice::from_ref(&csv), &out, &config, &mut |_| {}).unwrap();
        assert_eq!((imported.n_stars, imported.n_merged, imported.n_skipped), (6003, 0, 0));
        assert_eq!(imported.bands, ["r", "g"], "a column of names is no band");
        let whole = load_catalogue(&out, None).unwrap();
        assert_eq!(whole.bands, table.bands);
        assert_eq!(sorted(whole.stars), sorted(table.stars.clone()), "order {order}");
        for (ra, dec) in circles {
            for radius_deg in [0.5, 3.0, 20.0, 120.0, 180.0] {
                let cone = Cone { centre: SkyPosition::new(ra, dec), radius_deg };
                let expected = inside(&table, &cone);
                match load_catalogue(&out, Some(&cone)) {
                    Ok(part) => assert_eq!(sorted(part.stars), expected, "order {order}, {cone:?}"),
                    Err(error) => {
                        assert!(expected.is_empty() && error.to_string().contains("has no star within"), "{error}");
                    }
                }
                // A table has no index: the circle changes nothing.
                assert_eq!(load_catalogue(&csv, Some(&cone)).unwrap().stars.len(), 6003);
            }
        }
    }
}

#[test]
fn the_same_tables_give_the_same_bytes_and_nothing_else_is_left() {
    let dir = tempfile::tempdir().unwrap();
    let csv = written(dir.path(), "sky.csv", sky(500));
    let (a, b) = (dir.path().join("a.stars"), dir.path().join("b.stars"));
    import(std::slice::from_ref(&csv), &a, &[]).unwrap();
    import(&[csv], &b, &[]).unwrap();
    let bytes = fs::read(&a).unwrap();
    assert!(bytes == fs::read(&b).unwrap());
    assert_eq!((&bytes[..8], &bytes[8..12]), (&b"FANLSTAR"[..], &[1, 0, 0, 0][..]));
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 3);
}

#[test]
fn tables_of_several_formats_are_one_list() {
    let dir = tempfile::tempdir().unwrap();
    // The first star of the fixtures, with another band, and a star of its own.
    let text = "ra_deg,dec_deg,V,epoch_yr\n150.0,20.0,14.5,2016\n151.0,20.0,15.5,2016\n";
    let csv = written(dir.path(), "more.csv", text);
    let out = dir.path().join("all.stars");
    let tables = [data("stars.fits"), data("stars_binary2.vot"), data("stars_tabledata.vot"), csv];
    let imported = import(&tables, &out, &[]).unwrap();
    assert_eq!((imported.n_stars, imported.n_merged), (11, 21));
    assert_eq!(imported.bands, ["r", "V"]);
    assert!(
        imported.notes.iter().any(|n| n == "stars.fits: proper motions are not applied: there is no column epoch_yr")
    );
    let list = load_catalogue(&out, None).unwrap();
    let first = list.stars.iter().find(|s| s.ra_deg == 150.0).unwrap();
    let r = first.mags[0].unwrap();
    assert!(r.0 == 14.0 && (r.1.unwrap() - 0.03).abs() < 1e-8, "{r:?}");
    assert_eq!((first.mags[1], first.epoch_yr), (Some((14.5, None)), Some(2016.0)));
    let own = list.stars.iter().find(|s| s.ra_deg == 151.0).unwrap();
    assert_eq!(own.mags, [None, Some((15.5, None))]);
}

#[test]
fn doubles_of_one_table_stay_two_stars() {
    let dir = tempfile::tempdir().unwrap();
    let csv = written(dir.path(), "double.csv", "ra_deg,dec_deg,r\n10,20,9\n10,20,9.5\n");
    let out = dir.path().join("double.stars");
    assert_eq!(import(&[csv], &out, &[]).unwrap().n_stars, 2);
}

#[test]
fn bands_are_chosen_and_judged_by_all_rows() {
    let dir = tempfile::tempdir().unwrap();
    // 40 000 rows are several parts; z has numbers in the last row only, and `distance` is no magnitude there alone.
    let mut text = String::from("ra_deg,dec_deg,r,z,distance\n");
    for i in 0..40_000 {
        writeln!(text, "{},{},12.5,,{}", f64::from(i) * 0.009, f64::from(i % 180) - 89.5, 1000 + i).unwrap();
    }
    text.push_str("1.5,2.5,13,14,20\n");
    let csv = written(dir.path(), "wide.csv", &text);
    let out = dir.path().join("wide.stars");
    assert_eq!(import(std::slice::from_ref(&csv), &out, &[]).unwrap().bands, ["r", "z"]);
    assert_eq!(load_catalogue(&csv, None).unwrap().bands, ["r", "z"]);
    assert_eq!(import(std::slice::from_ref(&csv), &out, &["z"]).unwrap().bands, ["z"]);
    let error = import(std::slice::from_ref(&csv), &out, &["R"]).unwrap_err();
    assert!(error.to_string().contains("wide.csv has no band `R`; it has r, z, distance"), "{error}");
    let error = import(&[csv], &out, &["r", "i"]).unwrap_err();
    assert!(error.to_string().contains("no band `i`"), "{error}");
    assert_eq!(load_catalogue(&out, None).unwrap().bands, ["z"], "what failed left the old list");
}

#[test]
fn tables_that_cannot_be_used_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("sky.stars");
    let good = written(dir.path(), "good.csv", "ra_deg,dec_deg,r\n10,20,9\n");
    let check = |name: &str, text: &str, expected: &str| {
        let bad = written(dir.path(), name, text);
        let error = import(&[good.clone(), bad], &out, &[]).unwrap_err().to_string();
        assert!(error.contains(name) && error.contains(expected), "{error}");
        assert!(!out.exists());
    };
    check("a.csv", "ra,dec,r\n1,2,3\n", "no column ra_deg in degrees; its columns are ra, dec, r");
    check("b.csv", "ra_deg,dec_deg,r\nx,2,3\n", "no usable row (line 2 skipped");
    check("c.csv", "ra_deg,dec_deg,name\n1,2,x\n", "no column of magnitudes");
    check("d.csv", "", "is empty");
    let missing = dir.path().join("none.csv");
    assert!(import(&[missing], &out, &[]).unwrap_err().to_string().contains("none.csv"));
    let error = import(std::slice::from_ref(&good), &good, &[]).unwrap_err().to_string();
    assert!(error.contains("one of the tables"), "{error}");
    let other = written(dir.path(), "photo.txt", "not a list");
    assert!(import(std::slice::from_ref(&good), &other, &[]).unwrap_err().to_string().contains("not a star list"));
    assert_eq!(fs::read_to_string(&other).unwrap(), "not a list");
    let rows = written(dir.path(), "rows.csv", "ra_deg,dec_deg,r\n10,20,9\n400,20,9\n,,9\n11,20,bright\n");
    let imported = import(&[rows], &out, &[]).unwrap();
    assert_eq!((imported.n_stars, imported.n_skipped), (2, 2));
    assert!(imported.notes[0].starts_with("rows.csv: line 3 skipped: no place in the sky"), "{:?}", imported.notes);
    assert!(imported.notes.contains(&"rows.csv: 1 cells of column r are not numbers".to_owned()));
    let error = import(std::slice::from_ref(&out), &dir.path().join("x.stars"), &[]).unwrap_err().to_string();
    assert!(error.contains("is a star list already"), "{error}");
}

#[test]
fn broken_lists_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let csv = written(dir.path(), "sky.csv", sky(300));
    let out = dir.path().join("sky.stars");
    let config = ImportConfig { order: 2, ..ImportConfig::default() };
    import_star_list(&[csv], &out, &config, &mut |_| {}).unwrap();
    let whole = fs::read(&out).unwrap();
    let error = |bytes: &[u8]| {
        fs::write(&out, bytes).unwrap();
        load_catalogue(&out, None).unwrap_err()
    };
    for keep in (8..whole.len()).step_by(61).chain([whole.len() - 1]) {
        let error = error(&whole[..keep]);
        assert!(matches!(error, IoError::Truncated { .. }), "{keep}: {error}");
        assert!(error.to_string().contains("sky.stars is truncated"), "{error}");
    }
    let changed = |at: usize, to: u8| {
        let mut bytes = whole.clone();
        bytes[at] = to;
        error(&bytes).to_string()
    };
    let text = changed(8, 2);
    assert!(text.contains("version 2") && text.contains("import the tables again"), "{text}");
    assert!(changed(14, 0xff).contains("impossible length"));
    assert!(changed(23, 0xff).contains("impossible number of stars"));
    assert!(changed(30, whole[30] ^ 1).contains("checksum"));
    assert!(changed(60, b'?').contains("damaged"));
    // In the index; then the most significant byte of a star's declination.
    let star_bytes = 28 + 2 * 8;
    let stars_at = whole.len() - 303 * star_bytes;
    assert!(changed(stars_at - 8 * 100, whole[stars_at - 8 * 100] ^ 1).contains("checksum"));
    let at = stars_at + 150 * star_bytes + 15;
    assert!(changed(at, whole[at] ^ 0x80).contains("star 150 does not lie in its cell"));
    let longer = [&whole[..], &[0; 5]].concat();
    assert!(error(&longer).to_string().contains("5 bytes longer"));
}

//! Catalogues as CSV, VOTable and FITS table. The tables are astropy's, made by `reference/make_fits_fixtures.py`:
//! ten stars at RA 150 + 0.01 i, Dec 20 - 0.01 i degrees, r = 14 + i/4 with the fifth missing.

use std::fs;

use fanlight_io::{Catalogue, IoError, load_catalogue};

use crate::data;

fn csv(text: impl AsRef<[u8]>) -> Result<Catalogue, IoError> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("field.csv");
    fs::write(&path, text).unwrap();
    load_catalogue(&path, None)
}

#[test]
fn the_plain_csv() {
    let catalogue =
        csv("ra_deg,dec_deg,r,r_err,g,pmra_mas_yr,pmdec_mas_yr,epoch_yr\n359.5,-53.2,18.434,0.033,19.1,-3.36,-0.53,2016.0\n10,20,,,15.5,,,\n")
            .unwrap();
    assert_eq!(catalogue.bands, ["r", "g"]);
    let [first, second] = &catalogue.stars[..] else { panic!() };
    assert_eq!((first.ra_deg, first.dec_deg), (359.5, -53.2));
    assert_eq!((first.pmra_mas_yr, first.pmdec_mas_yr, first.epoch_yr), (Some(-3.36), Some(-0.53), Some(2016.0)));
    assert_eq!(first.mags, [Some((18.434, Some(0.033))), Some((19.1, None))]);
    assert_eq!(second.mags, [None, Some((15.5, None))]);
    assert_eq!(second.pmra_mas_yr, None);
    assert!(catalogue.notes.is_empty(), "{:?}", catalogue.notes);
}

#[test]
fn csv_as_spreadsheets_leave_it() {
    let text = "\u{feff}# stars of the field\r\n RA_deg , Dec_DEG , \"V\" , V_err \r\n# a comment\r\n 1.5 , +2.5 , 12.5 , 0 \r\n\r\n2.5,3.5,99.99,0.1\r\n";
    let catalogue = csv(text).unwrap();
    assert_eq!((catalogue.bands.as_slice(), catalogue.stars.len()), (&["V".to_owned()][..], 2));
    assert_eq!(catalogue.stars[0].mags, [Some((12.5, None))], "an error of nought is no error bar");
    assert_eq!(catalogue.stars[1].mags, [None], "99.99 is no magnitude");
    let semicolons = csv("ra_deg;dec_deg;R\n1;2;3\n").unwrap();
    assert_eq!(semicolons.bands, ["R"]);
    let latin = csv(b"ra_deg,dec_deg,r,name\n1,2,3,J\xfcrgen\n").unwrap();
    assert_eq!(latin.bands, ["r"]);
}

#[test]
fn bad_rows_are_told_with_their_line() {
    let catalogue = csv("ra_deg,dec_deg,r\n# two\nx,2,3\n1,95,3\n1,2\n400,0,1\n1,2,bright\n1,3,9\n1,3,8\n").unwrap();
    assert_eq!(catalogue.stars.len(), 4);
    assert_eq!(
        catalogue.notes,
        [
            "line 3 skipped: ra_deg or dec_deg is not a number",
            "line 4 skipped: no place in the sky at RA 1, Dec 95 degrees",
            "line 6 skipped: no place in the sky at RA 400, Dec 0 degrees",
            "1 cells of column r are not numbers",
        ]
    );
    let many = format!("ra_deg,dec_deg,r\n{}1,2,3\n", "nan,nan,nan\n".repeat(25));
    let notes = csv(many).unwrap().notes;
    assert_eq!((notes.len(), notes[10].as_str()), (11, "15 more lines skipped likewise"));
}

#[test]
fn unusable_catalogues() {
    let check = |text: &str, expected: &str| {
        let error = csv(text).unwrap_err().to_string();
        assert!(error.contains(expected) && error.contains("field.csv"), "{error}");
    };
    check("", "is empty");
    check("# only a comment\n", "is empty");
    check("ra,dec,r\n1,2,3\n", "no column ra_deg in degrees; its columns are ra, dec, r");
    check("ra_deg,r\n1,2\n", "no column dec_deg");
    check("ra_deg,dec_deg,r\n", "no usable row");
    check("ra_deg,dec_deg,r\nx,y,1\n", "no usable row (line 2 skipped");
    check("ra_deg,dec_deg,r,r\n1,2,3,4\n", "two columns named r");
    check("<html><body>404</body></html>", "without a VOTable's FIELD");
}

#[test]
fn a_missing_band_lists_the_others() {
    let catalogue = csv("ra_deg,dec_deg,r,gaia_g\n1,2,3,4\n").unwrap();
    assert_eq!(catalogue.require_band("r").unwrap(), 0);
    assert_eq!(catalogue.band("R"), None, "R and r are different systems");
    let error = catalogue.require_band("R").unwrap_err();
    assert!(error.to_string().ends_with("has no band `R`; it has r, gaia_g"), "{error}");
    assert_eq!(error.hint().as_deref(), Some("did you mean `r`?"));
    let error = catalogue.require_band("gaiag").unwrap_err();
    assert_eq!(error.hint().as_deref(), Some("did you mean `gaia_g`?"));
    assert!(catalogue.require_band("z").unwrap_err().hint().unwrap().contains("photometry.band"));
}

#[test]
fn tables_of_other_programs() {
    for file in ["stars_tabledata.vot", "stars_binary2.vot", "stars.fits"] {
        let catalogue = load_catalogue(&data(file), None).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(catalogue.bands, ["r"], "{file}");
        assert_eq!(catalogue.stars.len(), 10, "{file}");
        for (i, star) in catalogue.stars.iter().enumerate() {
            let x = i as f64;
            assert!((star.ra_deg - 150.0 - 0.01 * x).abs() < 1e-12 && (star.dec_deg - 20.0 + 0.01 * x).abs() < 1e-12);
            assert_eq!((star.pmra_mas_yr, star.pmdec_mas_yr), (Some(x - 5.0), Some(0.5 * x)), "{file}");
            match star.mags[0] {
                None => assert_eq!(i, 4, "{file}"),
                // The error column is single precision.
                Some((mag, err)) => {
                    assert!(mag == 14.0 + 0.25 * x && (err.unwrap() - 0.03).abs() < 1e-8, "{file} {i}: {mag} {err:?}");
                }
            }
        }
        assert!(catalogue.notes.iter().any(|n| n.contains("epoch_yr")), "{file}");
    }
}

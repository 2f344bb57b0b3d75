//! The Sun and stars like it through passbands of a general-purpose library, for tests: `reference/passbands.py`.

/// A band with the light of the Sun and of stars like it.
pub struct Row {
    /// The band.
    pub band: String,
    /// Its pivot wavelength.
    pub pivot_nm: f64,
    /// Magnitudes at 1 au: of the Sun, then of the Sun's spectrum turned into that of other temperatures.
    pub mag: Vec<f64>,
}

/// Temperatures of the columns after the Sun's.
pub const TEMPERATURES_K: [f64; 6] = [4600.0, 5000.0, 5400.0, 6200.0, 6800.0, 7600.0];

/// The table.
pub fn rows() -> Vec<Row> {
    let text = include_str!("../tests/data/passbands_pyphot.csv");
    let lines = text.lines().filter(|l| !l.starts_with('#'));
    let row = |line: &str| {
        let mut cells = line.split(',');
        let band = cells.next().unwrap().to_string();
        let mut numbers = cells.map(|c| c.parse().unwrap());
        Row { band, pivot_nm: numbers.next().unwrap(), mag: numbers.collect() }
    };
    lines.map(row).collect()
}

/// A magnitude by band in one of the columns.
pub fn magnitudes(column: usize) -> impl Fn(&str) -> Option<f64> {
    let rows = rows();
    move |band| rows.iter().find(|r| r.band == band).map(|r| r.mag[column])
}

//! Gauss–Legendre nodes.

/// Nodes and weights on [−½, ½]; the weights sum to 1. `n` from 1 to a few hundred.
///
/// # Source
/// Roots of the Legendre polynomial by Newton's method; weights 2/((1 − x²) P′ₙ(x)²) (Abramowitz & Stegun 25.4.29).
pub(crate) fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..50 {
                let (mut p, mut before) = (1.0, 0.0);
                for k in 0..n {
                    let k = k as f64;
                    (p, before) = (((2.0 * k + 1.0) * x * p - k * before) / (k + 1.0), p);
                }
                slope = n as f64 * (x * p - before) / (x * x - 1.0);
                let step = p / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            (0.5 * x, 1.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::gauss_legendre;

    #[test]
    fn exact_for_polynomials() {
        for n in [1, 2, 3, 7, 20] {
            let nodes = gauss_legendre(n);
            for power in (0..2 * n as i32).step_by(2) {
                let got: f64 = nodes.iter().map(|(x, w)| w * x.powi(power)).sum();
                let want = 2.0 * 0.5f64.powi(power + 1) / (power + 1) as f64;
                assert!((got - want).abs() < 1e-14, "{n} nodes, x^{power}: {got} {want}");
            }
        }
    }
}

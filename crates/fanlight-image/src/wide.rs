//! Loops over pixels for the widest registers that the processor has.

/// Runs a loop compiled once for any processor of its kind and once for those with wider registers (AVX2 on x86-64),
/// whichever this one is. What is called inside must be inlined to gain. The bits of the result are the same.
#[inline(always)]
pub fn wide<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

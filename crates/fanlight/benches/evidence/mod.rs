//! Parts of the bench of evidence, one subject each; the tests of the pure ones run with the integration tests.

pub mod common_practice;
pub mod figure;
pub mod finished;
pub mod full_twins;
pub mod ideal;
pub mod measure;
pub mod nights;
pub mod rank;
pub mod score;
pub mod table;
pub mod truth;
pub mod twin_check;

//! What a person does by eye and hand.

pub mod own_sector;

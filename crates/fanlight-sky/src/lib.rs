//! Time scales, Sun, Earth and Moon, orbits, sites, viewing geometry, angles and WCS.

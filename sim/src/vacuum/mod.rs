//! Chamber pressures and pumps.

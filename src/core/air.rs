//! Air: saturation pressure, deficit, wet bulb, still-air correction.

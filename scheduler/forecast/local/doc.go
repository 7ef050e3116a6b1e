// Package local reads weather that a firm provides itself: files in the
// normalised form, in a folder or at an address. It also serves to run through a
// past winter again.
//
// A file index.json lists the places:
//
//	{"within_km": 25, "places": [{"file": "north.json", "latitude": 45.4, "longitude": -92.1, "elevation_m": 260}]}
//
// A site takes the nearest place within within_km, 10 when it is left out. The
// file of a place holds hours in order, each member in the unit of its name, a
// member that is not known left out or null:
//
//	{"issued_at": "2027-01-14T18:00:00Z", "model": "own", "observed": false, "hours": [
//	  {"at": "2027-01-14T18:00:00Z", "air_temp_c": -4.2, "dew_point_c": -7, "rel_humidity": 0.8, "wind_ms": 3,
//	   "gust_ms": 6, "wind_from_deg": 310, "cloud": 1, "shortwave_wm2": 20, "precip_mm": 0.2, "precip_type": "snow",
//	   "precip_prob": 0.7, "precip_prob_window_h": 1, "snowfall_mm_swe": 0.2, "snowfall_depth_m": 0.002,
//	   "ice_accum_mm": 0, "snow_depth_m": 0.04, "soil_temps": [{"top_m": 0, "bottom_m": 0.1, "temp_c": -0.3}],
//	   "skin_temp_c": -2, "pressure_pa": 98600, "air_temp_sd_c": 1.5, "wind_sd_ms": 1}]}
//
// States are values at the hour, sums, means and maxima cover the hour that
// begins there. precip_type is none, rain, snow, sleet, freezing_rain,
// ice_pellets, hail or unknown. Members of other names are refused: a name that
// is misspelt must not pass for weather that is not known.
package local

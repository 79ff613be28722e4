// Package air tells a damp hive from a damp week. It knows the physics of
// humid air, of a hive's wall and of mould on wood, folds a hive's hours into
// days, and judges each hive of a yard against the yard's others, because on a
// wet coast every hive is humid all winter and only the comparison says which
// one cannot drain.
//
// It is pure: no clock, no files, no goroutines. Temperatures are °C,
// pressures Pa, humidities %RH over liquid water (as WMO states them at every
// temperature, and as capacitive sensors report them). What is not known is
// NaN, and NaN in gives NaN out.
package air

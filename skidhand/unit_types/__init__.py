"""Treatment unit types, one file each: roles, parameters, limits and pure derived formulas."""

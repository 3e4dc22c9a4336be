"""Physics as plain float functions: saturation of refrigerants, air, electrical. Knows no point, system or visit."""

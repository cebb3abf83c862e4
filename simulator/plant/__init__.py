"""The plant: one file per unit type, each a body of water or steel with its own states.

Inside the plant flows are m³/h, pressures kPa (gauge), lengths m, temperatures °C, oil mg/L (= g/m³),
masses g and time steps hours. Instruments convert to what the fleet file declares.
"""

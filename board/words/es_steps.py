"""Spanish: first steps that detectors suggest, by the English sentence that a finding carries."""
# ruff: noqa: E501  (a sentence and its translation stand on one line)

from __future__ import annotations

from typing import Final

END: Final = ", según el procedimiento del sitio."
_STEPS: Final = {
    "a sample to compare with, then cleaning the analyser's window": "una muestra con que comparar, y luego limpiar la ventana del analizador",
    "checking inlet flow and level control, and watching the filter": "revisar el caudal de entrada y el control de nivel, y vigilar el filtro",
    "checking whether the inlet flow can be held lower": "ver si se puede mantener más bajo el caudal de entrada",
    "checking the feed's temperature and the heat on the line": "revisar la temperatura de la alimentación y el calor de la línea",
    "checking the skim valve and the oil line": "revisar la válvula de desnatado y la línea de aceite",
    "checking where the wash water returns and how fast": "revisar a dónde vuelve el agua de lavado y con qué rapidez",
    "a sample at the tank outlet, and checking skim, level and chemical": "una muestra a la salida del tanque, y revisar desnatado, nivel y producto químico",
    "checking what feeds the tank and where it can go": "revisar qué alimenta el tanque y a dónde puede ir",
    "checking what draws on the tank and what feeds it": "revisar qué saca del tanque y qué lo alimenta",
    "checking the tank from outside, its drains and its gauge": "revisar el tanque desde fuera, sus drenajes y su medidor",
    "checking the feed's salt in the laboratory and whether this water belongs here": "revisar la sal de la alimentación en el laboratorio y si esta agua corresponde aquí",
    "checking the transmitter's unit, range and zero against the fleet file": "comparar unidad, rango y cero del transmisor con el archivo de flota",
    "cleaning the strainer": "limpiar el colador",
    "planning a clean and checking the pretreatment": "planear una limpieza y revisar el pretratamiento",
    "checking the skim and the oil line": "revisar el desnatado y la línea de aceite",
    "checking chemical, temperature and skim, and a sample of the interface": "revisar producto químico, temperatura y desnatado, y una muestra de la interfase",
    "checking the dosing pump, its prime and the chemical's level": "revisar la bomba dosificadora, su cebado y el nivel del producto químico",
    "checking the dosing pump's setting": "revisar el ajuste de la bomba dosificadora",
    "ordering chemical": "pedir producto químico",
    "checking the transmitter, its wiring and its impulse line": "revisar el transmisor, su cableado y su línea de impulso",
    "verifying by call or camera that the pump has stopped": "verificar por llamada o cámara que la bomba se ha parado",
    "checking that the pump has stopped, and the line behind it": "revisar que la bomba se ha parado, y la línea tras ella",
    "checking the impulse lines and the zero of the transmitter": "revisar las líneas de impulso y el cero del transmisor",
    "checking wiring, grounding and damping of the transmitter": "revisar cableado, puesta a tierra y amortiguación del transmisor",
    "reading the controller's alarms, and calling the pad before anyone restarts it": "leer las alarmas del controlador, y llamar al sitio antes de que alguien lo rearranque",
    "calling the pad to see whether the wash valves have gone home": "llamar al sitio para ver si las válvulas de lavado volvieron a su posición",
    "checking what starts the washes, and whether they clean the bed": "revisar qué inicia los lavados, y si limpian el lecho",
    "checking why the controller does not start the wash": "revisar por qué el controlador no inicia el lavado",
    "washing the cloth and checking the sludge's conditioning": "lavar la tela y revisar el acondicionamiento del lodo",
    "looking at the filtrate and the cloth at the next opening": "mirar el filtrado y la tela en la próxima apertura",
    "checking the reject ports and line for plugging": "revisar si se tapan los orificios y la línea de rechazo",
    "checking the reject line, its valve and the tank behind it": "revisar la línea de rechazo, su válvula y el tanque tras ella",
    "planning an inspection of the inlet slots": "planear una inspección de las ranuras de entrada",
    "planning an inspection of the liners": "planear una inspección de los liners",
    "checking the reject flow, its valve and its meter": "revisar el caudal de rechazo, su válvula y su medidor",
    "checking compressor, saturator and recycle pump of the flotation cell": "revisar compresor, saturador y bomba de recirculación de la celda de flotación",
    "checking heat trace and insulation, and draining what stands still": "revisar traceado y aislamiento, y drenar lo que está quieto",
    "a backwash": "un contralavado",
    "checking wash flow, wash time and media": "revisar caudal y tiempo de lavado, y el medio filtrante",
    "a backwash, and a sample behind the filter": "un contralavado, y una muestra tras el filtro",
    "a sample at the sample point and a look at the units upstream": "una muestra en el punto de muestreo y una mirada a las unidades aguas arriba",
    "checking pumps and throttled valves upstream that break droplets": "revisar bombas y válvulas estranguladas aguas arriba que rompen gotas",
    "checking the feed's temperature against what the stator stands": "comparar la temperatura de la alimentación con la que aguanta el estator",
    "checking the gateway's clock and where it takes its time from": "revisar el reloj de la pasarela y de dónde toma su hora",
    "checking the transmitter, its wiring and its range against the fleet file": "revisar el transmisor, su cableado y su rango frente al archivo de flota",
    "checking where gas comes from and the degassing ahead": "revisar de dónde viene el gas y la desgasificación anterior",
    "checking whether the liners can have the flow that they need": "ver si los liners pueden tener el caudal que necesitan",
    "comparing the meters named with a second way of measuring": "comparar los medidores nombrados con otra forma de medir",
    "planning a new stator": "planear un estator nuevo",
    "probing the vessels for the one that leaks": "muestrear las carcasas para hallar la que tiene fugas",
    "samples at inlet and outlet of the cyclone": "muestras a la entrada y la salida del ciclón",
    "taking the filter out and looking for media downstream": "sacar el filtro de servicio y buscar medio aguas abajo",
}  # fmt: skip
STEPS: Final = {
    **{f"Suggest {en}, per site procedure.": f"Se sugiere {es}{END}" for en, es in _STEPS.items()},
    "Suggest inspecting the media; do not read the low drop as good; per site procedure.": f"Se sugiere inspeccionar el medio; no tome la caída baja por buena señal{END}",
    "Suggest checking the gateway's power and signal per site procedure.": f"Se sugiere revisar la alimentación eléctrica y la señal de la pasarela{END}",
    "Suggest looking at the trends of the instruments named, side by side, before anybody goes there.": "Se sugiere mirar juntas las tendencias de los instrumentos nombrados antes de que alguien vaya, según el procedimiento del sitio.",
}  # fmt: skip
"""Whole sentences. What is not here, or comes from an outside detector, is shown as it was written."""

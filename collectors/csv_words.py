"""The trade's words in the headers of exported tables, in the languages of the trade's larger markets.

Each list is a guess, shown before anything is stored; a layout file overrules it.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final


def plain(text: str) -> str:
    """Lower case, no accents, every run of other signs one space; ``dcPower`` falls into two words."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", " ", text).strip()


#: German writes words together: "Netzfrequenz" is the frequency of the grid.
COMPOUND_ENDS: Final = (
    "spannung",
    "strom",
    "leistung",
    "frequenz",
    "temperatur",
    "energie",
    "ertrag",
    "strahlung",
)
COMPOUND_STARTS: Final = {"gleich": "dc", "wechsel": "ac", "eingangs": "input", "ausgangs": "ac"}


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


TIMESTAMP: Final = _words("timestamp datetime zeitstempel zeitpunkt fechahora horodatage horodate epoch unixtime ts")
DATE: Final = _words("date datum fecha data day tag dia jour giorno dag")
TIME: Final = _words("time uhrzeit zeit hora heure ora clock tijd when")
UNIT: Final = _words(
    "unit serial sn inverter device microinverter mlpe optimizer serialnumber seriennummer "
    "wechselrichter gerat "
    "inversor dispositivo onduleur appareil module modul wr equipment node asset"
)
INPUT: Final = _words("input channel mppt tracker port string pv eingang kanal entrada canal entree ingresso ch")
SIDE_DC: Final = _words("dc pv module modul panel input generator cc string mppt")
SIDE_AC: Final = _words("ac grid mains line output netz red reseau rete ca net out feed")
VOLTAGE: Final = _words("voltage volt volts spannung tension tensione voltaje vdc vac u v udc uac vpv upv vgrid ugrid")
CURRENT: Final = _words("current amps amp amperes strom corriente courant corrente idc iac i ipv")
POWER: Final = _words("power watt watts leistung potencia puissance potenza pdc pac p ppv wirkleistung vermogen")
ENERGY: Final = _words(
    "energy yield ertrag energie energia production produccion lifetime counter zahler kwh wh produktion contador"
)
FREQUENCY: Final = _words("frequency freq hz frequenz frecuencia frequence frequenza fac")
TEMPERATURE: Final = _words("temperature temp temperatur temperatura t tmp")
STATE: Final = _words("state status mode zustand betriebszustand estado etat stato condition")
SIGNAL: Final = _words("signal rssi dbm signalstarke senal")
LIFETIME: Final = _words("total lifetime cumulative counter gesamt acumulada cumul cumulee totale cumulated meter index")
DAILY: Final = _words("daily today day tages heute diaria dia jour journalier giornaliera dagelijks")
GHI: Final = _words("ghi horizontal globalstrahlung")
POA: Final = _words("poa plane tilted inclined array gti module ebene")
DNI: Final = _words("dni beam normal direct")
DHI: Final = _words("dhi diffuse diffus difusa")
IRRADIANCE: Final = _words(
    "irradiance irradiation einstrahlung strahlung irradiancia radiacion rayonnement irraggiamento radiation sun insolation"
)
AIR: Final = _words("air ambient amb umgebung luft ambiente aria outdoor outside exterieur")
MODULE: Final = _words("module modul cell panel back zelle celula cellule modulo")
WIND: Final = _words("wind windspeed viento vent vento windgeschwindigkeit")
SOURCE: Final = _words("source device unit serial origin quelle gerat origen gateway node sn component object")
EVENT: Final = _words("event type ereignis evento evenement action kind code what status")
DETAIL: Final = _words("detail details message text description meldung mensaje note info comment beschreibung")

#: First cells of lines that sum up a table.
TOTALS: Final = _words(
    "total totals sum summe gesamt suma somme totale average avg mean mittelwert media moyenne "
    "min minimum max maximum "
    "subtotal count anzahl"
)

#: Words of states; the operating states of the open SunSpec models 101 to 103 (point St) are among them.
STATE_WORDS: Final = {
    "producing": "producing run running on normal mppt generating production feeding operating throttled ok "
    "active "
    "einspeisung betrieb produciendo production",
    "starting": ("starting start startup waking wakeup connecting checking synchronising synchronizing anlauf arranque"),
    "standby": "standby idle waiting wait sleeping sleep night ready bereitschaft espera veille attesa",
    "fault": "fault error alarm failure failed tripped trip storung fehler fallo defaut guasto",
    "off": "off stopped stop shutdown shuttingdown disconnected disabled aus apagado arret spento",
}
EVENT_WORDS: Final = {
    "online": "online connected up reconnected linkup available",
    "offline": ("offline disconnected down lost linkdown timeout unreachable nocommunication communicationlost"),
    "restart": "restart reboot restarted rebooted reset boot startup powerup",
    "alarm": "alarm fault error warning failure trip alert",
    "clear": "clear cleared resolved ok normal recovered ended",
}


def by_word(table: dict[str, str]) -> dict[str, str]:
    """Each word of ``table`` to its key; the first key that has a word keeps it."""
    result: dict[str, str] = {}
    for key, words in table.items():
        for word in (key, *words.split()):
            result.setdefault(word, key)
    return result

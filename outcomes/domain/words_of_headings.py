"""Headings of tables of tooth movements in seven languages: words only, read by ``languages``.

Standard words of the trade and of bookkeeping (common practice, no source). Each entry is a list
with commas; case, accents and punctuation do not count (:func:`outcomes.domain.languages.word_form`).
English words that the schema has already as names or synonyms are taken from there.
"""

from __future__ import annotations

#: ISO 639-1 codes.
LANGUAGES = ("en", "de", "fr", "es", "pt", "it", "sv")

#: Concept -> language -> headings. Concepts of the schema have its column names.
HEADINGS: dict[str, dict[str, str]] = {
    "patient": {
        "en": "patient, patient reference, patient ref, pat id, pat no",
        "de": "Patient, Patientin, Patienten, Patientennummer, Patienten-Nr., Patienten-ID, "
        "Patientencode, Patientenkürzel, Pat.-Nr., Pat., Fall, Fallnummer, Fall-Nr.",
        "fr": "patient, patiente, patients, numéro de patient, numéro patient, numéro du patient, "
        "n° patient, n° de patient, code patient, identifiant patient, identifiant du patient, cas",
        "es": "paciente, pacientes, número de paciente, n.º de paciente, n.º paciente, "
        "código de paciente, código del paciente, código paciente, ID paciente, ID de paciente, caso",
        "pt": "paciente, pacientes, número do paciente, n.º do paciente, n.º de paciente, "
        "código do paciente, ID do paciente, ID paciente, caso",
        "it": "paziente, pazienti, numero paziente, numero del paziente, n. paziente, "
        "codice paziente, codice del paziente, ID paziente, caso",
        "sv": "patient, patienter, patientnummer, patient-nr, patientkod, patient-ID, fall",
    },
    "tooth": {
        "en": "tooth, tooth position, FDI, FDI number, tooth FDI, tooth FDI number",
        "de": "Zahn, Zähne, Zahnnummer, Zahn-Nr., Zahn-Nummer, FDI-Nummer, Zahn FDI",
        "fr": "dent, dents, numéro de dent, numéro de la dent, n° dent, n° de dent, dent FDI",
        "es": "diente, dientes, pieza, piezas, pieza dental, pieza dentaria, número de diente, "
        "n.º de diente, n.º diente, diente FDI",
        "pt": "dente, dentes, número do dente, n.º do dente, n.º dente, elemento dentário, dente FDI",
        "it": "dente, denti, elemento dentario, elemento dentale, numero dente, numero del dente, "
        "n. dente, dente FDI",
        "sv": "tand, tänder, tandnummer, tand-nr, tand FDI",
    },
    "movement": {
        "en": "movement, tooth movement, type of tooth movement",
        "de": "Bewegung, Bewegungen, Zahnbewegung, Bewegungsart, Bewegungstyp, Art der Bewegung, "
        "Art der Zahnbewegung",
        "fr": "mouvement, mouvements, mouvement dentaire, type de mouvement, déplacement dentaire",
        "es": "movimiento, movimientos, movimiento dental, movimiento dentario, tipo de movimiento",
        "pt": "movimento, movimentos, movimento dentário, movimentação, movimentação dentária, "
        "tipo de movimento",
        "it": "movimento, movimenti, movimento dentale, movimento dentario, tipo di movimento, "
        "spostamento dentale",
        "sv": "rörelse, rörelser, tandrörelse, rörelsetyp, typ av rörelse, tandförflyttning",
    },
    "planned": {
        "en": "planned, planned change, planned amount, programmed movement, prescribed movement, "
        "predicted movement, predicted change, movement planned",
        "de": "geplant, Planung, Plan, geplante Bewegung, Bewegung geplant, geplante Änderung, Soll, "
        "Soll-Bewegung, Sollbewegung, vorgesehen, vorhergesagt, programmiert, verordnet",
        "fr": "planifié, planifiée, prévu, prévue, programmé, programmée, prescrit, prescrite, "
        "mouvement planifié, mouvement prévu, mouvement programmé, mouvement prescrit",
        "es": "planificado, planificada, planeado, planeada, previsto, prevista, programado, "
        "programada, prescrito, prescrita, movimiento planificado, movimiento planeado, "
        "movimiento previsto, movimiento programado",
        "pt": "planejado, planejada, planeado, planeada, previsto, prevista, programado, programada, "
        "prescrito, prescrita, movimento planejado, movimento planeado, movimento previsto, "
        "movimento programado",
        "it": "pianificato, pianificata, previsto, prevista, programmato, programmata, prescritto, "
        "prescritta, movimento pianificato, movimento previsto, movimento programmato",
        "sv": "planerad, planerat, planerade, plan, programmerad, programmerat, ordinerad, "
        "planerad rörelse",
    },
    "achieved": {
        "en": "achieved, achieved change, actual movement, actual change, obtained movement, "
        "measured movement, movement achieved, observed movement, realised, realized",
        "de": "erreicht, erreichte Bewegung, Bewegung erreicht, erzielt, erzielte Bewegung, "
        "tatsächlich, tatsächliche Bewegung, umgesetzt, gemessen, gemessene Bewegung",
        "fr": "obtenu, obtenue, réalisé, réalisée, atteint, atteinte, mesuré, mesurée, "
        "mouvement obtenu, mouvement réalisé, mouvement mesuré, mouvement réel",
        "es": "logrado, lograda, conseguido, conseguida, obtenido, obtenida, alcanzado, alcanzada, "
        "realizado, realizada, medido, real, movimiento logrado, movimiento conseguido, "
        "movimiento obtenido, movimiento alcanzado, movimiento real",
        "pt": "obtido, obtida, alcançado, alcançada, atingido, atingida, realizado, realizada, "
        "conseguido, medido, real, movimento obtido, movimento alcançado, movimento realizado, "
        "movimento real",
        "it": "ottenuto, ottenuta, raggiunto, raggiunta, realizzato, realizzata, conseguito, "
        "misurato, effettivo, movimento ottenuto, movimento raggiunto, movimento realizzato, "
        "movimento effettivo",
        "sv": "uppnådd, uppnått, uppnådda, faktisk, faktiskt, uppmätt, erhållen, uppnådd rörelse, "
        "faktisk rörelse, uppmätt rörelse",
    },
    "course": {
        "en": "course, course of aligners, aligner series, series of aligners, aligner course",
        "de": "Serie, Schienenserie, Alignerserie, Aligner-Serie, Behandlungsserie, Durchgang",
        "fr": "série, séries, série d'aligneurs, série de gouttières",
        "es": "serie, series, serie de alineadores",
        "pt": "série, séries, série de alinhadores",
        "it": "serie, serie di allineatori",
        "sv": "serie, skenserie, alignerserie, behandlingsserie",
    },
    "aim": {
        "en": "aim, treatment goal, treatment aim, desired movement, intended",
        "de": "Ziel, Behandlungsziel, angestrebt, gewünscht, gewünschte Bewegung",
        "fr": "objectif, souhaité, souhaitée, désiré, désirée, visé, visée, mouvement souhaité",
        "es": "objetivo, meta, deseado, deseada, movimiento deseado",
        "pt": "objetivo, objectivo, meta, desejado, desejada, movimento desejado",
        "it": "obiettivo, desiderato, desiderata, movimento desiderato",
        "sv": "mål, behandlingsmål, önskad, önskat, önskad rörelse",
    },
    "attachment": {
        "en": "attachment, attachment form, type of attachment, shape of attachment",
        "de": "Attachment, Attachments, Attachmentform, Attachment-Form, Attachmenttyp",
        "fr": "attachement, attachements, taquet, taquets, type d'attachement, type de taquet",
        "es": "aditamento, aditamentos, atache, ataches, tipo de aditamento, tipo de atache",
        "pt": "attachment, attachments, tipo de attachment, ataches",
        "it": "attacco, attacchi, tipo di attacco, forma dell'attacco",
        "sv": "attachment, fäste, fästen, attachmenttyp, typ av fäste",
    },
    "auxiliary": {
        "en": "auxiliary, auxiliary device, auxiliary devices",
        "de": "Hilfsmittel, Hilfselement, Hilfselemente, Zusatzelement",
        "fr": "auxiliaire, auxiliaires",
        "es": "auxiliar, auxiliares",
        "pt": "auxiliar, auxiliares, acessório auxiliar",
        "it": "ausiliario, ausiliari, ausilio, ausili",
        "sv": "hjälpmedel, auxiliär",
    },
    "ipr_mm": {
        "en": "ipr mm, interproximal enamel reduction, stripping",
        "de": "ASR, approximale Schmelzreduktion, Approximalreduktion, Schmelzreduktion, Stripping",
        "fr": "réduction interproximale, réduction amélaire interproximale, stripping",
        "es": "reducción interproximal, desgaste interproximal, stripping",
        "pt": "redução interproximal, desgaste interproximal",
        "it": "riduzione interprossimale, riduzione interprossimale dello smalto, stripping",
        "sv": "approximal reduktion, approximal slipning, strippning",
    },
    "sex": {
        "en": "sex",
        "de": "Geschlecht",
        "fr": "sexe, genre",
        "es": "sexo, género",
        "pt": "sexo, gênero, género",
        "it": "sesso, genere",
        "sv": "kön",
    },
    "age": {
        "en": "age, age in years",
        "de": "Alter, Alter bei Beginn, Alter in Jahren",
        "fr": "âge, âge au début, âge en années",
        "es": "edad, edad al inicio, edad en años",
        "pt": "idade, idade no início, idade em anos",
        "it": "età, età all'inizio, età in anni",
        "sv": "ålder, ålder vid start",
    },
    "growing": {
        "en": "growing",
        "de": "Wachstum, im Wachstum",
        "fr": "croissance, en croissance",
        "es": "crecimiento, en crecimiento",
        "pt": "crescimento, em crescimento",
        "it": "crescita, in crescita",
        "sv": "växande, tillväxt",
    },
    "clinician": {
        "en": "clinician, treating clinician",
        "de": "Behandler, Behandlerin, Kieferorthopäde, Kieferorthopädin, Zahnarzt, Zahnärztin",
        "fr": "praticien, praticienne, orthodontiste, clinicien",
        "es": "ortodoncista, clínico, dentista",
        "pt": "ortodontista, clínico, dentista",
        "it": "ortodontista, clinico, odontoiatra",
        "sv": "behandlare, ortodontist, tandläkare",
    },
    "site": {
        "en": "site, practice site",
        "de": "Standort, Praxis, Praxisstandort",
        "fr": "cabinet, site, lieu de traitement",
        "es": "clínica, consulta, sede",
        "pt": "clínica, consultório",
        "it": "sede, studio, clinica",
        "sv": "klinik, mottagning",
    },
    "malocclusion": {
        "en": "malocclusion",
        "de": "Malokklusion, Diagnose, Zahnfehlstellung, Fehlstellung",
        "fr": "malocclusion, diagnostic",
        "es": "maloclusión, diagnóstico",
        "pt": "má oclusão, maloclusão, diagnóstico",
        "it": "malocclusione, diagnosi",
        "sv": "malocklusion, bettavvikelse, diagnos",
    },
    "aligners": {
        "en": "aligners, no. of aligners",
        "de": "Anzahl Aligner, Anzahl der Aligner, Anzahl Schienen, Anzahl der Schienen, Schienenzahl",
        "fr": "nombre d'aligneurs, nombre de gouttières",
        "es": "número de alineadores, n.º de alineadores",
        "pt": "número de alinhadores, n.º de alinhadores",
        "it": "numero di allineatori, numero allineatori",
        "sv": "antal skenor, antal aligners",
    },
    "days_per_aligner": {
        "en": "days per aligner",
        "de": "Tage pro Aligner, Tage je Aligner, Tage pro Schiene, Tage je Schiene, Wechselintervall",
        "fr": "jours par aligneur, jours par gouttière",
        "es": "días por alineador",
        "pt": "dias por alinhador",
        "it": "giorni per allineatore",
        "sv": "dagar per skena, dagar per aligner",
    },
    "start": {
        "en": "start date, starting date, date of start",
        "de": "Startdatum, Anfangsdatum, Behandlungsbeginn",
        "fr": "date de début, date du début, début du traitement",
        "es": "fecha de inicio, fecha inicial, inicio del tratamiento",
        "pt": "data de início, data inicial, início do tratamento",
        "it": "data di inizio, data inizio, data iniziale, inizio del trattamento",
        "sv": "startdatum, behandlingsstart",
    },
    "end": {
        "en": "end date, date of end",
        "de": "Enddatum, Behandlungsende",
        "fr": "date de fin, fin du traitement",
        "es": "fecha de fin, fecha final, fin del tratamiento",
        "pt": "data de fim, data final, fim do tratamento",
        "it": "data di fine, data fine, data finale, fine del trattamento",
        "sv": "slutdatum, behandlingsslut",
    },
    "wear_hours": {
        "en": "wear hours, hours of wear, hours worn, hours a day",
        "de": "Tragezeit, Tragedauer, Tragestunden, Tragezeit pro Tag, Stunden pro Tag, "
        "Stunden am Tag",
        "fr": "heures de port, temps de port, durée de port, heures par jour, port journalier",
        "es": "horas de uso, tiempo de uso, horas por día, horas al día, uso diario",
        "pt": "horas de uso, tempo de uso, horas por dia, uso diário",
        "it": "ore di utilizzo, tempo di utilizzo, ore al giorno, ore di porto",
        "sv": "användningstid, bärtid, timmar per dag, timmar per dygn",
    },
    "elastics": {
        "en": "elastics",
        "de": "Gummizüge, Elastics",
        "fr": "élastiques, tractions élastiques",
        "es": "elásticos, gomas",
        "pt": "elásticos",
        "it": "elastici",
        "sv": "elastik, elastiska drag",
    },
    "anchorage": {
        "en": "anchorage",
        "de": "Verankerung",
        "fr": "ancrage",
        "es": "anclaje",
        "pt": "ancoragem",
        "it": "ancoraggio",
        "sv": "förankring",
    },
    "start_position": {
        "en": "start position, starting position, initial position, initial, initial value, "
        "start value, starting value, before, before treatment, pre, pretreatment, pre-treatment, "
        "T0, baseline, baseline position",
        "de": "Ausgangswert, Ausgangsposition, Ausgangslage, Ausgangsstellung, Anfangswert, "
        "Anfangsposition, Startposition, Startwert, vorher, vor Behandlung, vor der Behandlung, "
        "initial",
        "fr": "position initiale, position de départ, valeur initiale, valeur de départ, initial, "
        "initiale, avant, avant traitement, avant le traitement",
        "es": "posición inicial, posición de inicio, posición de partida, valor inicial, inicial, "
        "antes, antes del tratamiento, previo, pretratamiento",
        "pt": "posição inicial, posição de partida, valor inicial, inicial, antes, "
        "antes do tratamento, pré-tratamento",
        "it": "posizione iniziale, posizione di partenza, valore iniziale, iniziale, prima, "
        "prima del trattamento, pre-trattamento",
        "sv": "startposition, startläge, utgångsläge, utgångsposition, utgångsvärde, startvärde, "
        "före, före behandling, före behandlingen, initial, initialt",
    },
    "planned_position": {
        "en": "planned position, position planned, planned end position, planned final position, "
        "target position, predicted position, predicted final position",
        "de": "geplante Position, Position geplant, Sollposition, Soll-Position, Solllage, "
        "Soll-Lage, Zielposition, geplante Endposition, geplante Stellung",
        "fr": "position planifiée, position prévue, position programmée, position cible, "
        "position finale prévue, position finale planifiée",
        "es": "posición planificada, posición planeada, posición prevista, posición programada, "
        "posición objetivo, posición final planificada, posición final prevista",
        "pt": "posição planejada, posição planeada, posição prevista, posição programada, "
        "posição alvo, posição final planejada, posição final prevista",
        "it": "posizione pianificata, posizione prevista, posizione programmata, "
        "posizione obiettivo, posizione finale prevista, posizione finale pianificata",
        "sv": "planerad position, planerat läge, målposition, målläge, planerad slutposition",
    },
    "achieved_position": {
        "en": "achieved position, position achieved, achieved final position, actual position, "
        "obtained position, measured position, after, after treatment, post, posttreatment, "
        "post-treatment, end of treatment position",
        "de": "erreichte Position, Position erreicht, Istposition, Ist-Position, "
        "tatsächliche Position, erreichte Endposition, erreichte Stellung, nachher, "
        "nach Behandlung, nach der Behandlung",
        "fr": "position obtenue, position atteinte, position réalisée, position réelle, "
        "position mesurée, position finale obtenue, après, après traitement, après le traitement",
        "es": "posición lograda, posición alcanzada, posición obtenida, posición conseguida, "
        "posición real, posición final obtenida, después, después del tratamiento, postratamiento",
        "pt": "posição obtida, posição alcançada, posição atingida, posição real, "
        "posição final obtida, depois, após, depois do tratamento, após o tratamento, "
        "pós-tratamento",
        "it": "posizione ottenuta, posizione raggiunta, posizione effettiva, posizione reale, "
        "posizione finale ottenuta, dopo, dopo il trattamento, post-trattamento",
        "sv": "uppnådd position, uppnått läge, faktisk position, faktiskt läge, "
        "uppnådd slutposition, efter, efter behandling, efter behandlingen",
    },
    "direction": {
        "en": "direction, direction of movement, movement direction, sign",
        "de": "Richtung, Bewegungsrichtung, Richtung der Bewegung, Vorzeichen",
        "fr": "sens, direction, sens du mouvement, direction du mouvement, signe",
        "es": "sentido, dirección del movimiento, sentido del movimiento, signo",
        "pt": "direção, direcção, sentido, direção do movimento, sentido do movimento, sinal",
        "it": "direzione, verso, senso, direzione del movimento, segno",
        "sv": "riktning, rörelseriktning, tecken",
    },
    "quadrant": {
        "en": "tooth quadrant, dental quadrant",
        "de": "Zahnquadrant",
        "fr": "quadrant dentaire",
        "es": "cuadrante",
        "pt": "quadrante",
        "it": "quadrante",
        "sv": "kvadrant",
    },
    "arch": {
        "en": "arch, dental arch, jaw",
        "de": "Kiefer, Zahnbogen",
        "fr": "arcade, arcade dentaire, mâchoire",
        "es": "arcada, arcada dentaria, arcada dental, maxilares",
        "pt": "arcada, arcada dentária, arco dentário",
        "it": "arcata, arcata dentaria, arcata dentale",
        "sv": "käke, tandbåge",
    },
    "side": {
        "en": "side",
        "de": "Seite, Kieferseite, Körperseite",
        "fr": "côté",
        "es": "lado",
        "pt": "lado",
        "it": "lato",
        "sv": "sida",
    },
    "date": {
        "en": "date, scan date, date of scan, visit date",
        "de": "Datum, Scandatum, Datum des Scans",
        "fr": "date, date du scan, date de l'empreinte",
        "es": "fecha, fecha del escaneo",
        "pt": "data, data do escaneamento",
        "it": "data, data della scansione",
        "sv": "datum, skanningsdatum",
    },
    "unit": {
        "en": "unit, units, unit of measurement",
        "de": "Einheit, Einheiten, Maßeinheit",
        "fr": "unité, unités, unité de mesure",
        "es": "unidad, unidades, unidad de medida",
        "pt": "unidade, unidades, unidade de medida",
        "it": "unità, unità di misura",
        "sv": "enhet, enheter, måttenhet",
    },
    "remaining": {
        "en": "remaining, remainder, still to do, left to do, shortfall, residual, not achieved, "
        "remaining movement",
        "de": "Rest, verbleibend, Restbewegung, verbleibende Bewegung, Restbetrag, Fehlbetrag, "
        "nicht erreicht",
        "fr": "restant, restante, reste, mouvement restant, résiduel, non obtenu",
        "es": "restante, pendiente, residual, movimiento restante, no logrado",
        "pt": "restante, pendente, residual, movimento restante, não obtido",
        "it": "rimanente, restante, residuo, movimento residuo, non ottenuto",
        "sv": "återstående, kvarstående, kvar, återstående rörelse, rest",
    },
    "personal": {
        "en": "patient name, name of patient, date of birth, birth date, birthday",
        "de": "Name, Nachname, Vorname, Familienname, Patientenname, Geburtsdatum, Geburtstag, geb., "
        "Adresse, Anschrift, Straße, Wohnort, PLZ, Postleitzahl, Telefon, Telefonnummer, Handy, "
        "Mobiltelefon, E-Mail, Krankenkasse, Versichertennummer, Sozialversicherungsnummer, "
        "Initialen",
        "fr": "nom, prénom, nom de famille, nom du patient, date de naissance, naissance, adresse, "
        "rue, ville, code postal, téléphone, portable, courriel, adresse e-mail, "
        "numéro de sécurité sociale, initiales",
        "es": "nombre, nombres, apellido, apellidos, nombre del paciente, fecha de nacimiento, "
        "calle, domicilio, ciudad, código postal, teléfono, móvil, celular, correo electrónico, "
        "correo, DNI, pasaporte, número de la seguridad social, iniciales",
        "pt": "nome, sobrenome, nome do paciente, data de nascimento, nascimento, endereço, morada, "
        "rua, cidade, código postal, CEP, telefone, celular, telemóvel, correio eletrónico, CPF, "
        "iniciais",
        "it": "nome, cognome, nome del paziente, data di nascita, nascita, indirizzo, città, CAP, "
        "codice postale, telefono, cellulare, posta elettronica, codice fiscale, iniziali",
        "sv": "namn, förnamn, efternamn, patientnamn, födelsedatum, personnummer, adress, gata, "
        "postnummer, ort, telefon, telefonnummer, mobil, e-post, initialer",
    },
}

#: Headings that mean one thing in one table and another in the next: never read, always asked.
#: Dates of a course or positions; planned or achieved ends; a change or where it ended; what is now
#: or what came of it; a direction or an address (Spanish).
SEVERAL: dict[tuple[str, ...], str] = {
    (
        "start_position",
        "start",
    ): "start, Start, Anfang, Beginn, départ, début, inicio, início, inizio",
    ("achieved_position", "end"): "end, Ende, fin, fim, fine, slut",
    ("planned_position", "achieved_position"): "final, final position, end position, final value, "
    "end value, T1, T2, Endposition, Endwert, Endstellung, Endlage, Zielwert, finale, "
    "position finale, valeur finale, posición final, valor final, posição final, "
    "posizione finale, valore finale, slutposition, slutläge, slutvärde",
    ("planned", "planned_position"): "planned value, predicted value, Sollwert, Planwert, "
    "geplanter Wert, valeur planifiée, valeur prévue, valor planificado, valor previsto, "
    "valor planejado, valore previsto, valore pianificato, planerat värde, virtual",
    ("achieved", "achieved_position"): "achieved value, actual value, measured value, result, "
    "outcome, Ergebnis, erreichter Wert, valeur obtenue, valeur mesurée, résultat, valor obtenido, "
    "valor medido, resultado, valor obtido, valore ottenuto, valore misurato, risultato, resultat, "
    "uppnått värde, uppmätt värde",
    ("planned", "aim"): "target, target value, cible, alvo",
    (
        "achieved",
        "start_position",
    ): "Ist, Istwert, Ist-Wert, Ist-Zustand, current, current position, "
    "aktuell, actuel, actual position now",
    ("start_position", "planned_position", "achieved_position"): "position, positions, Position, "
    "Stellung, posición, posição, posizione, läge, value, Wert, valeur, valor, valore, värde",
    ("direction", "personal"): "dirección",
    ("course", "aligners"): "stage, Schiene, Aligner, aligneur, gouttière, alineador, alinhador, "
    "allineatore, skena",
}

"""How people spell the headings of a cell table and of a log, in a dozen languages: one list a column."""

from __future__ import annotations

SPELLINGS: dict[str, tuple[str, ...]] = {
    "cell_id": (
        "cell id|cell|cell number|cell no|cell nr|cell num|cell #|cell name|cell label|cell code|"
        "cell serial|cell sn|cell barcode|zelle|zell id|zellen id|zellennummer|zellnummer|"
        "zellen nr|zell nr|zellnr|zelle nr|zellenbezeichnung|cellule|numéro de cellule|cellule n|"
        "n cellule|no cellule|id cellule|celda|id celda|numero de celda|celda n|cella|id cella|"
        "numero cella|cella n|n de celda|numero de la celda|"
        "电芯|电芯编号|电芯号|电芯id|电池编号|电池号|编号|單體編號|单体编号|"
        "電芯編號|セル|セル番号|セルno|セルid|電池番号|電池no|"
        "ogniwo|nr ogniwa|numer ogniwa|id ogniwa|ячейка|номер ячейки|№ ячейки|id ячейки|элемент|номер элемента|"
        "№ элемента|célula|n célula|id célula|número da célula|cel|celnummer|cel nr|cel id|셀|셀 번호|셀번호",
        "id|barcode|bar code|serial|serial number|serial no|s/n|sn|item id|item|item no|code|"
        "label|uid|sample|sample id|prüfling|seriennummer|kennung|bezeichnung|etikett|条码|条形码|二维码|"
        "序列号|バーコード|シリアル番号|battery id|battery no|battery number|battery #|"
        "bat id|bat no|bat nr|batt id|batt no|bat #|batt #|akku nr|"
        "batterie nr|id batterie|id pila|id bateria|étiquette|etiqueta|etichetta|identifiant|"
        "identificador|numer seryjny|серийный номер|серийный №|штрихкод|시리얼 번호",
        "no|nr|#|number|num|n|idx|index|unit|unit id|unit no|name|nummer|lfd nr|ident nr|nom|nombre|nome|"
        "numéro|numero|battery|batterie|akku|pile|batería|batteria|序号|番号|电池|電池|名称|"
        "numer|номер|№|п/п|№ п/п|número|nummer|번호",
    ),
    "ocv_v": (
        "ocv|open circuit voltage|open circuit|open circuit volts|oc voltage|voc|uoc|u oc|v oc|"
        "u ocv|v ocv|u0|ocv rest|rest voltage|resting voltage|rested voltage|voltage at rest|"
        "voltage rest|voltage after rest|ocv voltage|open voltage|ruhespannung|leerlaufspannung|leerlauf|u leerlauf|"
        "tension à vide|tension au repos|tension en circuit ouvert|voltaje en circuito abierto|"
        "voltaje de circuito abierto|voltaje en reposo|tensión en circuito abierto|"
        "tensión en reposo|tensión en vacío|tensione a vuoto|tensione a circuito aperto|"
        "tensione a riposo|开路电压|開路電壓|静置电压|静态电压|開放電圧|開路電圧|無負荷電圧|開回路電圧|"
        "napięcie spoczynkowe|napięcie jałowe|napięcie obwodu otwartego|нрц|эдс|напряжение холостого хода|"
        "напряжение разомкнутой цепи|напряжение покоя|tensão em circuito aberto|tensão em repouso|tensão em vazio|"
        "rustspanning|nullastspanning|openklemspanning|개방전압|개방회로전압",
        "voltage|volt|volts|v|u|spannung|spg|zellspannung|zellenspannung|e cell|v cell|u cell|v batt|"
        "tension|voltaje|tensión|tensione|电压|電壓|電圧|电池电压|napięcie|напряжение|tensão|voltagem|spanning|전압",
    ),
    "capacity_mah": (
        "discharge capacity|discharged capacity|discharge cap|dchg cap|dch cap|dis cap|disch cap|"
        "dchg capacity|dis capacity|disch capacity|q dis|q dch|q disch|q dchg|q discharge|"
        "capacity discharge|capacity dchg|capacity dis|cap dis|cap discharge|cap dchg|"
        "entladekapazität|entladene kapazität|kapazität entladen|kapazität entladung|q entladen|"
        "capacité de décharge|capacité décharge|capacité déchargée|capacidad de descarga|"
        "capacidad descarga|capacità di scarica|capacità scarica|放电容量|放電容量|"
        "pojemność rozładowania|разрядная ёмкость|ёмкость разряда|capacidade de descarga|ontlaadcapaciteit|방전용량|"
        "ah out|ahr out|amp hr out|discharge ah|discharge mah|dchg",
        "capacity|cap|capa|q|kapazität|kapa|kap|zellkapazität|capacité|capacidad|capacità|容量|"
        "pojemność|ёмкость|capacidade|capaciteit|용량|"
        "实际容量|实测容量|電池容量|电池容量|amp hr|amp hrs|amp hours|ahr|ah|mah|mamp hr|実容量",
    ),
    "rated_mah": (
        "rated|rated capacity|rated cap|nominal capacity|nominal cap|nominal|nom cap|"
        "label capacity|labelled capacity|labeled capacity|design capacity|specified capacity|"
        "nennkapazität|capacité nominale|capacidad nominal|capacità nominale|额定容量|标称容量|"
        "設計容量|设计容量|定格容量|公称容量|"
        "pojemność znamionowa|pojemność nominalna|номинальная ёмкость|ёмкость номинальная|capacidade nominal|"
        "nominale capaciteit|정격용량|공칭용량|q nom|q rated|q n",
    ),
    "ir_mohm": (
        "ir|internal resistance|ir resistance|ir value|ohmic resistance|widerstand ri|"
        "r internal|int resistance|internal res|int res|internal r|innenwiderstand|"
        "r i|r int|ri|rint|résistance interne|resistencia interna|resistenza interna|内阻|內阻|"
        "内部抵抗|esr|r cell|zellwiderstand|impedance|imp|impedanz|impédance|impedancia|"
        "impedenza|阻抗|インピーダンス|internal impedance|rezystancja wewnętrzna|opór wewnętrzny|rezystancja wewn|"
        "внутреннее сопротивление|сопротивление внутреннее|внутр сопротивление|resistência interna|"
        "inwendige weerstand|interne weerstand|내부저항",
        "resistance|res|r|z|widerstand|résistance|resistencia|resistenza|电阻|電阻|抵抗|ohm|mohm|ω|mω|"
        "rezystancja|opór|сопротивление|resistência|weerstand|저항",
    ),
    "temperature_c": (
        "temperature|temp|cell temperature|cell temp|temperatur|zelltemperatur|température|"
        "temperatura|t cell|温度|電池温度|电池温度|температура|temperatuur|온도",
        "ambient temperature|ambient temp|ambient|t amb|room temperature|room temp|"
        "raumtemperatur|umgebungstemperatur|环境温度|環境温度|室温|t",
    ),
    "self_discharge_mv_per_day": (
        "self discharge|self discharge rate|k value|k|selbstentladung|k wert|autodécharge|"
        "autodescarga|autoscarica|k值|自放电|自放电率|自己放電",
    ),
    "lot": (
        "lot|lot no|lot number|lot id|batch|batch no|batch number|batch id|los|losnummer|lotto|"
        "lote|批次|批号|批次号|ロット|ロット番号|partia|nr partii|партия|номер партии|로트",
    ),
    "model": (
        "model|cell model|cell type|model no|part number|part no|modell|zelltyp|zellentyp|modèle|"
        "modelo|modello|型号|電池型号|型番|型式|модель|모델",
        "type|typ|tipo",
    ),
    "chemistry": ("chemistry|cell chemistry|chem|chemie|zellchemie|chimie|química|chimica|化学体系|材料体系|电芯体系",),
    "tester": (
        "tester|tester id|charger|charger id|instrument|testgerät|prüfgerät|messgerät|tester no|"
        "设备号|设备编号|测试设备",
    ),
    "slot": (
        "slot|slot no|slot number|channel|channel no|channel number|chan|ch|ch no|bay|port|kanal|"
        "kanal nr|schacht|fach|canal|canale|voie|通道|通道号|チャンネル|チャネル",
    ),
    "tested_at": (
        "tested at|test date|date tested|tested|date|datetime|date time|datum|prüfdatum|"
        "messdatum|testdatum|zeitpunkt|measured at|measured on|timestamp|time stamp|date de test|"
        "date de mesure|fecha|fecha de prueba|data|data prova|日期|测试日期|日付|測定日|測定日時|"
        "日時|date/time|data pomiaru|data testu|дата|дата измерения|дата испытания|testdatum|날짜|측정일",
    ),
    "rested_h": (
        "rested|rest time|rest hours|hours at rest|time at rest|rest|ruhezeit|temps de repos|"
        "tiempo de reposo|静置时间|休止時間",
    ),
    "last_direction": ("last direction",),
    "mass_g": (
        "mass|weight|cell mass|cell weight|masse|gewicht|zellgewicht|poids|peso|massa|重量|質量|质量|"
        "масса|вес|massa|무게",
    ),
    "mark": (
        "mark|judge|judgement|judgment|ok/ng|ng/ok|ok ng|pass/fail|pass fail|go/no go|verdict|"
        "判定|判断|判定结果|測定判定|urteil|bewertung|esito|verdict final",
        "result|status|quality|check|ok|pass|ergebnis|befund|prüfergebnis|résultat|resultado|"
        "risultato|结果|結果|状态|合否",
    ),
    "note": (
        "note|notes|remark|remarks|comment|comments|bemerkung|bemerkungen|kommentar|notiz|"
        "anmerkung|anmerkungen|remarque|remarques|commentaire|observación|observaciones|"
        "nota|notas|osservazioni|备注|備註|備考|コメント|uwagi|примечание|opmerking|비고|damage|defects",
    ),
    "ir_method": ("ir method|resistance method",),
}
"""Spellings of each of our columns: those that mean it and nothing else, then those that may mean it."""

ROLES: dict[str, str] = {
    "time": "time|test time|step time|total time|elapsed|elapsed time|time elapsed|actual time|t|"
    "zeit|laufzeit|temps|tiempo|tempo|czas|время|tijd|시간|时间|時間|测试时间|经过时间|経過時間|timestamp|"
    "time stamp|datetime|date time|dpt time|seconds|relative time|system time",
    "current": "current|amps|amp|i|strom|courant|corriente|corrente|prąd|ток|stroom|전류|电流|電流|current avg",
    "step": "step|step index|step no|step type|step name|steptype|data point|datapoint|record|"
    "record no|record id|rec|rec #|rec no|es|工步|工步号|记录号|ステップ",
    "cycle": "cycle|cycle index|cycle no|cycle number|cycle id|cyc|cyc #|cycle c|cycle p|zyklus|"
    "zyklen|ciclo|循环|循环号|循環|サイクル",
    "mode": "mode|modus|state|md|direction|charge/discharge|chg/dchg|step type|steptype|phase|"
    "richtung|betriebsart|充放电|状态",
}
"""Columns that a time log has and a per-cell table seldom: what each stands for."""

"""The models that are served, as tables of their points: type, then name/scale factor.

1 says who we are, 802 is the battery, 803 its strings (one a pack), 713 what is stored.
Source of names, order, types and scale factors: SUNSPEC.
"""

from adapters.sunspec.points import Model, points

BASES = (40_000, 0, 50_000)  # where a chain of models may begin
MARKER = (0x5375, 0x6E53)  # "SunS", before the first model
END = (0xFFFF, 0)  # after the last

COMMON = Model(
    1,
    points("""
    u16 ID L
    s16 Mn Md
    s8  Opt Vr
    s16 SN
    u16 DA
    pad Pad
"""),
)
BATTERY = Model(
    802,
    points("""
    u16 ID L
    u16 AHRtg/AHRtg_SF WHRtg/WHRtg_SF
    u16 WChaRteMax/WChaDisChaMax_SF WDisChaRteMax/WChaDisChaMax_SF DisChaRte/DisChaRte_SF
    u16 SoCMax/SoC_SF SoCMin/SoC_SF SocRsvMax/SoC_SF SoCRsvMin/SoC_SF SoC/SoC_SF
    u16 DoD/DoD_SF SoH/SoH_SF
    u32 NCyc
    e16 ChaSt LocRemCtl
    u16 Hb CtrlHb AlmRst
    e16 Typ State StateVnd
    u32 WarrDt
    b32 Evt1 Evt2 EvtVnd1 EvtVnd2
    u16 V/V_SF VMax/V_SF VMin/V_SF
    u16 CellVMax/CellV_SF CellVMaxStr CellVMaxMod CellVMin/CellV_SF CellVMinStr CellVMinMod
    u16 CellVAvg/CellV_SF
    i16 A/A_SF
    u16 AChaMax/AMax_SF ADisChaMax/AMax_SF
    i16 W/W_SF
    e16 ReqInvState
    i16 ReqW/W_SF
    e16 SetOp SetInvState
    sf  AHRtg_SF WHRtg_SF WChaDisChaMax_SF DisChaRte_SF SoC_SF DoD_SF SoH_SF V_SF CellV_SF A_SF
    sf  AMax_SF W_SF
"""),
)
STRINGS = Model(
    803,
    points("""
    u16 ID L NStr NStrCon
    i16 ModTmpMax/ModTmp_SF
    u16 ModTmpMaxStr ModTmpMaxMod
    i16 ModTmpMin/ModTmp_SF
    u16 ModTmpMinStr ModTmpMinMod
    i16 ModTmpAvg/ModTmp_SF
    u16 StrVMax/V_SF StrVMaxStr StrVMin/V_SF StrVMinStr StrVAvg/V_SF
    i16 StrAMax/A_SF
    u16 StrAMaxStr
    i16 StrAMin/A_SF
    u16 StrAMinStr
    i16 StrAAvg/A_SF
    u16 NCellBal
    sf  CellV_SF ModTmp_SF A_SF SoH_SF SoC_SF V_SF
"""),
    points("""
    u16 StrNMod
    b32 StrSt
    e16 StrConFail
    u16 StrSoC/SoC_SF StrSoH/SoH_SF
    i16 StrA/A_SF
    u16 StrCellVMax/CellV_SF StrCellVMaxMod StrCellVMin/CellV_SF StrCellVMinMod
    u16 StrCellVAvg/CellV_SF
    i16 StrModTmpMax/ModTmp_SF
    u16 StrModTmpMaxMod
    i16 StrModTmpMin/ModTmp_SF
    u16 StrModTmpMinMod
    i16 StrModTmpAvg/ModTmp_SF
    e16 StrDisRsn
    b32 StrConSt StrEvt1 StrEvt2 StrEvtVnd1 StrEvtVnd2
    e16 StrSetEna StrSetCon
    pad Pad1 Pad2
"""),
)
STORED = Model(
    713,
    points("""
    u16 ID L WHRtg/WH_SF WHAvail/WH_SF SoC/Pct_SF SoH/Pct_SF
    e16 Sta
    sf  WH_SF Pct_SF
"""),
)
MODELS = {model.number: model for model in (COMMON, BATTERY, STRINGS, STORED)}

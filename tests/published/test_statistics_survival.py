"""Kaplan-Meier and Nelson-Aalen against published examples and lifelines."""

import numpy as np
import pytest
from lifelines import KaplanMeierFitter, NelsonAalenFitter
from scipy.stats import chi2

from pipeline.statistics.life import weibull_life
from pipeline.statistics.risk_sets import risk_sets
from pipeline.statistics.survival import cumulative_hazard, kaplan_meier, survival_curve
from tests.remission import RELAPSED, SIX_MP

WEEKS, RELAPSE = np.array([SIX_MP, RELAPSED])

# S to 3 digits and its sd: NAG g12aac example results [public]; at risk, limits: lifelines, R, scipy [two libraries].
MP6_CURVE = [
    (6, 21, 0.857143, 0.619718, 0.951552, 0.857),
    (7, 17, 0.806723, 0.563147, 0.922809, 0.807),
    (10, 15, 0.752941, 0.503200, 0.889362, 0.753),
    (13, 12, 0.690196, 0.431610, 0.849066, 0.690),
    (16, 11, 0.627451, 0.367511, 0.804912, 0.627),
    (22, 7, 0.537815, 0.267779, 0.746791, 0.538),
    (23, 6, 0.448179, 0.188052, 0.680143, 0.448),
]

# J. Hyde (1980), Channing House retirement center; J. Klein, M. Moeschberger, Survival Analysis (2003) section
# 1.16: age at entry - age at exit in months, + where alive at exit; entries without any stay left out.
CHANNING_MEN = """
751-777 759-781 782-909 806-943+ 817-843+ 820-957+ 821-956+ 823-960+ 830-940+ 835-898 835-907 836-876 836-973+
837-945 843-943+ 846-866+ 847-893 847-984+ 852-869 853-894 854-989 856-927 856-951+ 856-969 863-983 865-948
865-1002+ 866-895+ 871-872 871-945+ 875-1012+ 876-1013+ 878-911 878-1015+ 879-1016+ 883-959+ 885-911+
886-1023+ 890-1027+ 891-932 893-996+ 894-1031+ 898-906+ 900-936+ 906-966 906-1012 909-914+ 915-957 919-993
919-1033 921-993 923-1060+ 925-1036 926-970+ 936-971 936-1073+ 938-1064+ 943-1025 943-1043 946-1031 953-1031+
955-977+ 955-1055 956-1093+ 959-972+ 960-1047+ 962-966+ 962-998 964-1029 966-1009 967-985 967-1085 969-1001+
969-1106+ 971-1107+ 978-1005+ 978-1018+ 981-1118+ 982-1006+ 984-1022 984-1053 988-1045+ 1007-1043+ 1010-1012
1010-1044 1016-1153+ 1020-1128 1021-1094 1027-1058+ 1036-1070+ 1039-1060 1041-1044+ 1046-1080 1051-1059
1063-1094 1073-1139
"""
CHANNING_WOMEN = """
733-870+ 746-804+ 748-804 760-897+ 762-854+ 768-905+ 769-906+ 772-840 775-912+ 777-914+ 783-888+ 792-857+
792-929+ 794-798+ 795-875+ 796-891+ 797-934+ 799-825+ 802-821+ 802-876+ 802-939+ 802-939+ 805-928+ 805-942+
807-944+ 808-932 809-822 810-812+ 810-895+ 811-819+ 811-898+ 813-950+ 813-950+ 814-872+ 815-952+ 818-860+
818-955+ 820-955+ 820-957+ 820-957+ 821-824+ 821-958+ 822-945+ 822-959+ 823-829+ 823-830 823-882+ 823-938+
827-836+ 827-964+ 828-868 828-895 828-965+ 828-965+ 829-848+ 829-932+ 830-967+ 831-861+ 831-925+ 833-970+
834-932+ 835-845 836-927+ 837-848+ 837-911 837-948 838-975+ 838-975+ 839-976+ 839-976+ 840-905+ 840-938+
840-977+ 841-927+ 841-978+ 842-979+ 842-979+ 843-861 844-981+ 845-982+ 846-983+ 847-883 847-892+ 847-899+
847-970 847-984+ 848-985+ 849-952+ 850-940 850-963 851-905 851-988+ 852-908 852-989+ 854-969 854-991+ 855-893+
855-992+ 856-993+ 857-901 857-994+ 857-994+ 858-995+ 859-912 859-926 859-941 859-995 859-996+ 860-997+ 861-915
861-930 861-934 861-998+ 863-1000+ 864-873 864-1001+ 865-932+ 865-973+ 866-953+ 866-1003+ 867-1004+ 868-870+
868-1005+ 869-1006+ 870-930+ 871-874+ 871-912+ 871-924+ 871-944 872-940+ 872-976 873-897 873-954 874-885
874-982 874-1011+ 875-1012+ 875-1012+ 877-989 877-1014+ 878-1010+ 878-1015+ 881-913+ 882-1019+ 882-1019+
882-1019+ 883-966 883-996 883-1020+ 883-1020+ 885-955+ 885-1003 885-1012 885-1022+ 886-908 886-943+ 886-994
886-1023+ 887-891+ 887-905+ 887-1012 888-919 889-1000 890-905 890-1005+ 892-1029+ 893-973+ 893-1030+ 894-918+
894-927+ 894-1006 894-1011+ 894-1014+ 894-1031+ 895-926+ 895-991 895-996 895-1032+ 896-1033+ 897-904+
897-1034+ 898-1035+ 899-1036+ 899-1036+ 900-912+ 900-926+ 900-959 900-1037+ 901-917+ 901-923 901-1018 901-1023
902-1024+ 904-919+ 905-928 905-1005 905-1042+ 906-1043+ 907-1044+ 908-996+ 909-933+ 910-1009+ 910-1020
910-1047+ 911-938+ 912-916+ 912-1001+ 912-1049+ 913-1050+ 915-1004 917-948+ 917-1054+ 918-922+ 918-1055+
919-931 919-1015 919-1017 920-953+ 920-992+ 920-1040 920-1057+ 921-926+ 921-1040 922-971+ 922-1059+ 924-959+
924-1014 925-960+ 925-961+ 925-1062+ 926-987+ 927-954+ 927-989+ 927-1001 928-1065+ 929-996 929-999 930-936
930-944 931-969 933-979+ 933-985+ 933-990 934-946+ 934-961+ 934-993+ 934-1023+ 934-1041 934-1071+ 934-1071+
935-948+ 935-1006 935-1051+ 935-1072+ 936-1033 936-1064 936-1073+ 939-978 941-944+ 941-1006+ 942-977+ 942-1070
943-982 943-986 943-994 943-1011 943-1080+ 944-947+ 948-971+ 948-998 948-1012+ 948-1019 948-1085+ 950-986+
950-1008+ 951-958+ 954-962+ 954-1091+ 955-990 955-992 956-1061+ 956-1085 957-1084 957-1089 958-1008+ 958-1029
958-1041 959-976+ 960-988+ 961-963+ 963-1021 965-1088+ 965-1102+ 966-1027 967-975 967-983 967-1041 967-1068
968-990 968-990 968-1105+ 968-1105+ 972-1013+ 972-1083 972-1109+ 973-985+ 976-995 976-1085 977-985+ 977-1056
978-1010 979-1016+ 979-1040 981-1018 981-1038+ 981-1114+ 982-1119+ 984-1019+ 984-1047 986-1030 987-1097
988-1074 991-1006+ 992-1010+ 992-1044 993-1028+ 994-1013 994-1040 996-1073 997-1134+ 1002-1010+ 1003-1093
1004-1015+ 1004-1023 1005-1053+ 1007-1014+ 1007-1019 1008-1042+ 1010-1147+ 1013-1031+ 1013-1115 1013-1131
1015-1024 1015-1056 1016-1122 1024-1063 1026-1054+ 1027-1072 1027-1142 1028-1063+ 1034-1068 1035-1172+
1039-1086 1039-1132 1041-1043 1042-1172 1049-1186+ 1070-1207+ 1071-1200 1073-1192 1096-1152 1140-1200
"""


def read_stays(text):
    """Entry, exit, death of each resident."""
    stays = [(*map(int, stay.rstrip("+").split("-")), not stay.endswith("+")) for stay in text.split()]
    return np.array(stays, float).T


@pytest.mark.parametrize(("week", "at_risk", "share", "low", "high", "published"), MP6_CURVE)
def test_6mp_curve(week, at_risk, share, low, high, published):
    """Share in remission with log-log Greenwood limits, at each relapse."""
    fit = kaplan_meier(WEEKS, RELAPSE, at=week)
    assert float(fit.n_at_risk[0]) == at_risk
    got = [float(v[0]) for v in (fit.survival, fit.low, fit.high)]
    assert got == pytest.approx([share, low, high], abs=6e-7)
    assert round(got[0], 3) == published


def test_6mp_censoring_matters():
    """At week 16 the share is 0.6275, where the naive 1 - 7/21 over all 21 says 0.6667."""
    fit = kaplan_meier(WEEKS, RELAPSE, at=16)
    naive = 1 - ((WEEKS <= 16) & (RELAPSE == 1)).sum() / 21
    assert naive == pytest.approx(0.6667, abs=5e-5)
    assert float(fit.survival[0]) == pytest.approx(0.6275, abs=5e-5)
    assert float(fit.n_events[0]) == 7


def test_6mp_median_and_restricted_mean():
    """Median 23 weeks; mean up to week 35 is 23.287395 (lifelines, R)."""
    curve = survival_curve(WEEKS, RELAPSE)
    assert curve.time[curve.survival <= 0.5][0] == 23
    widths = np.diff(np.concatenate([[0], curve.time]))
    heights = np.concatenate([[1], curve.survival[:-1]])
    assert (widths * heights).sum() == pytest.approx(23.287395, abs=6e-7)


def test_6mp_cumulative_hazard():
    """Nelson-Aalen at 23: d/n with ties kept together is lifelines' without smoothing; the 0.759507 of our
    reference list is the same sum with the three relapses of week 6 taken one after the other."""
    table = risk_sets(WEEKS, RELAPSE)
    got = float(cumulative_hazard(table)[table.time == 23][0])
    other = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(WEEKS, RELAPSE)
    assert got == pytest.approx(float(other.cumulative_hazard_at_times(23).iloc[0]), abs=1e-12)
    assert got - 3 / 21 + 1 / 21 + 1 / 20 + 1 / 19 == pytest.approx(0.759507, abs=6e-7)


def test_tie_rule_with_delayed_entry():
    """(entry, exit]: 0.75 [public, an issue of surpyval], 0.45, 0.30, 0.15, 0 (five libraries)."""
    curve = survival_curve([2, 3, 3, 4, 5, 6], [1] * 6, entry=[0, 0, 1, 1, 2, 2])
    assert curve.survival == pytest.approx(np.array([0.75, 0.45, 0.30, 0.15, 0.0]), abs=1e-12)


def test_channing_women_left_truncated():
    """S(800, 900, 1000, 1100) by four libraries."""
    entry, end, death = read_stays(CHANNING_WOMEN)
    assert (len(end), death.sum()) == (362, 130)
    got = [float(kaplan_meier(end, death, entry=entry, at=age).survival[0]) for age in (800, 900, 1000, 1100)]
    assert got == pytest.approx([1.0, 0.823746, 0.573998, 0.202111], abs=6e-7)


def test_channing_men_have_an_emptied_risk_set():
    """Libraries silently say S = 0 after 781 months; nobody was at risk, so we say nothing, with a reason."""
    entry, end, death = read_stays(CHANNING_MEN)
    assert (len(end), death.sum()) == (96, 46)
    fit = kaplan_meier(end, death, entry=entry, at=800)
    assert np.isnan(fit.survival[0])
    assert "nobody was at risk" in fit.reason[0]


@pytest.mark.parametrize(
    ("text", "want"),
    [
        (CHANNING_WOMEN, [0.864933, 0.717797, 0.602698, 0.500420, 0.293995, 0.212217, 0.119984]),
        (CHANNING_MEN, [0.804531, 0.588295, 0.500820, 0.454373, 0.222707, 0.150327, 0.050109]),
    ],
)
def test_channing_given_816_months(text, want):
    """Conditional on being alive at 816 months: lifelines and R; lifelines runs here for its limits too."""
    entry, end, death = read_stays(text)
    ages = (900, 972, 1000, 1020, 1080, 1100, 1152)
    fits = [kaplan_meier(end, death, entry=np.maximum(entry, 816), at=age) for age in ages]
    assert [float(f.survival[0]) for f in fits] == pytest.approx(want, abs=6e-7)
    stays = end > 816
    other = KaplanMeierFitter().fit(end[stays], death[stays], entry=np.maximum(entry, 816)[stays])
    limits = other.confidence_interval_survival_function_
    for age, fit in zip(ages, fits, strict=True):
        row = limits.loc[:age].iloc[-1].to_numpy()
        assert [float(fit.low[0]), float(fit.high[0])] == pytest.approx(list(row), abs=1e-9)


@pytest.mark.parametrize(
    ("text", "shape", "scale", "value", "naive_shape", "naive_scale", "rate"),
    [
        (CHANNING_WOMEN, 9.522065, 1057.16436, -807.828623, 14.7853, 1096.5927, 0.0043378157),
        (CHANNING_MEN, 6.280103, 968.83966, -274.750897, 14.2181, 1077.5093, 0.0064389698),
    ],
)
def test_channing_weibull(text, shape, scale, value, naive_shape, naive_scale, rate):
    """Weibull with late entry: scipy, surpyval, lifelines agree; leaving the entry out moves the shape by half and
    more. The constant rate that the shape is tested against is deaths over observed months."""
    entry, end, death = read_stays(text)
    fit = weibull_life(end, death, entry=entry)
    assert float(fit.shape.value[0]) == pytest.approx(shape, abs=6e-7)
    assert float(fit.scale.value[0]) == pytest.approx(scale, abs=6e-6)
    assert float(fit.log_likelihood[0]) == pytest.approx(value, abs=6e-7)
    naive = weibull_life(end, death)
    assert float(naive.shape.value[0]) == pytest.approx(naive_shape, abs=6e-5)
    assert float(naive.scale.value[0]) == pytest.approx(naive_scale, abs=6e-5)
    assert death.sum() / (end - entry).sum() == pytest.approx(rate, abs=6e-11)
    constant = death.sum() * (np.log(rate) - 1)
    assert float(fit.p_constant[0]) == pytest.approx(chi2.sf(2 * (value - constant), 1), rel=1e-4)
    assert fit.pattern()[0] == "wear_out"


def test_grouped_curves_equal_lifelines():
    """Forty groups with ties, censoring and time 0 in one pass: equal to lifelines group by group."""
    rng = np.random.default_rng(8)
    group = rng.integers(0, 40, 1500)
    time = rng.exponential(60, 1500).round()
    event = rng.random(1500) < 0.5
    fit = kaplan_meier(time, event, group, at=45)
    for g, label in enumerate(fit.groups):
        rows = group == label
        other = KaplanMeierFitter().fit(time[rows], event[rows])
        want = [other.predict(45), *other.confidence_interval_.loc[:45].iloc[-1]]
        assert [float(v[g]) for v in (fit.survival, fit.low, fit.high)] == pytest.approx(want, abs=1e-9)

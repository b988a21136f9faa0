package holidays

import (
	"slices"
	"time"

	"github.com/rickar/cal/v2"
	"github.com/rickar/cal/v2/at"
	"github.com/rickar/cal/v2/au"
	"github.com/rickar/cal/v2/be"
	"github.com/rickar/cal/v2/ca"
	"github.com/rickar/cal/v2/ch"
	"github.com/rickar/cal/v2/de"
	"github.com/rickar/cal/v2/dk"
	"github.com/rickar/cal/v2/es"
	"github.com/rickar/cal/v2/fr"
	"github.com/rickar/cal/v2/gb"
	"github.com/rickar/cal/v2/ie"
	"github.com/rickar/cal/v2/it"
	"github.com/rickar/cal/v2/nl"
	"github.com/rickar/cal/v2/no"
	"github.com/rickar/cal/v2/nz"
	"github.com/rickar/cal/v2/pl"
	"github.com/rickar/cal/v2/se"
	"github.com/rickar/cal/v2/us"
	"github.com/rickar/cal/v2/za"
)

// The library's list for the United Kingdom is that of England and Wales. The
// other two nations are put together here from its parts.
var (
	mondayInstead = []cal.AltDay{{Day: time.Saturday, Offset: 2}, {Day: time.Sunday, Offset: 1}}
	// 2 January follows New Year's Day, which may itself have moved to Monday.
	afterNewYear = []cal.AltDay{{Day: time.Saturday, Offset: 2}, {Day: time.Sunday, Offset: 2}, {Day: time.Monday, Offset: 1}}

	secondOfJanuary = fixed("2 January", time.January, 2, afterNewYear)
	saintAndrew     = fixed("St Andrew's Day", time.November, 30, mondayInstead)
	saintPatrick    = fixed("St Patrick's Day", time.March, 17, mondayInstead)
	twelfthOfJuly   = fixed("Battle of the Boyne", time.July, 12, mondayInstead)
)

func except(list []*cal.Holiday, drop ...*cal.Holiday) []*cal.Holiday {
	return slices.DeleteFunc(slices.Clone(list), func(h *cal.Holiday) bool { return slices.Contains(drop, h) })
}

var regions = map[string][]*cal.Holiday{
	"AT":     at.Holidays,
	"AU-ACT": au.HolidaysACT, "AU-NSW": au.HolidaysNSW, "AU-NT": au.HolidaysNT, "AU-QLD": au.HolidaysQLD,
	"AU-SA": au.HolidaysSA, "AU-TAS": au.HolidaysTAS, "AU-VIC": au.HolidaysVIC, "AU-WA": au.HolidaysWA,
	"BE": be.Holidays, "CA": ca.Holidays, "CH": ch.Holidays, "CH-ZH": ch.HolidaysZH, "CH-BE": ch.HolidaysBE,
	"DE": de.Holidays, "DE-BW": de.HolidaysBW, "DE-BY": de.HolidaysBY, "DE-BE": de.HolidaysBE, "DE-BB": de.HolidaysBB,
	"DE-HB": de.HolidaysHB, "DE-HH": de.HolidaysHH, "DE-HE": de.HolidaysHE, "DE-MV": de.HolidaysMV, "DE-NI": de.HolidaysNI,
	"DE-NW": de.HolidaysNW, "DE-RP": de.HolidaysRP, "DE-SL": de.HolidaysSL, "DE-SN": de.HolidaysSN, "DE-ST": de.HolidaysST,
	"DE-SH": de.HolidaysSH, "DE-TH": de.HolidaysTH,
	"DK": dk.Holidays, "ES": es.Holidays, "FR": fr.Holidays,
	"GB-ENG": gb.Holidays, "GB-WLS": gb.Holidays,
	"GB-SCT": append(except(gb.Holidays, gb.EasterMonday, gb.SummerHoliday), secondOfJanuary, gb.SummerHolidayScotland, saintAndrew),
	"GB-NIR": append(slices.Clone(gb.Holidays), saintPatrick, twelfthOfJuly),
	"IE":     ie.Holidays, "IT": it.Holidays, "NL": nl.Holidays, "NO": no.Holidays, "NZ": nz.Holidays,
	"PL": pl.Holidays, "SE": se.Holidays, "US": us.Holidays, "ZA": za.Holidays,
}

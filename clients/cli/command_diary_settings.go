package cli

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// DiarySettingsCommand shows or changes how the diary is run.
type DiarySettingsCommand struct {
	Show   DiarySettingsShow   `cmd:"" default:"1" help:"Show how the diary is run."`
	Change DiarySettingsChange `cmd:"" help:"Change it; what is not given stays."`
}

// DiarySettingsShow shows the settings.
type DiarySettingsShow struct{}

func (s *Session) diarySettings() (*vw.DiarySettings, error) {
	return s.Client.Diary.GetDiarySettings(s.Context, &vw.GetDiarySettingsRequest{Name: s.parent() + "/diarySettings"})
}

// Run shows the settings.
func (c *DiarySettingsShow) Run(s *Session) error {
	settings, err := s.diarySettings()
	if err != nil {
		return err
	}
	return s.Show(settings, func(p *Page) { showDiarySettings(p, settings) })
}

// DiarySettingsChange changes the settings.
type DiarySettingsChange struct {
	Step          *int32   `help:"From one possible start to the next: 5, 10, 15, 20, 30 or 60 minutes." placeholder:"MIN"`
	Keep          *int32   `help:"How long a provisional booking is kept if nobody says." placeholder:"MIN"`
	Microscope    *string  `name:"access-equipment" help:"Equipment class that a visit holds from access on." placeholder:"CLASS"`
	NurseAllTime  *bool    `negatable:"" help:"A nurse is held throughout, rather than before and after."`
	OnsetFree     *bool    `negatable:"" help:"The clinician is free while the anaesthetic sets in."`
	Reserve       []string `help:"Time kept for emergencies, DAY=HH:MM-HH:MM@HH:MM, with the time at which it is released. Repeat; replaces all." sep:"none" placeholder:"RESERVE"`
	HolidayRegion *string  `help:"Region whose public holidays are suggested, for example AT or DE-BY." placeholder:"CODE"`
}

// Run changes what was given.
func (c *DiarySettingsChange) Run(s *Session) error {
	settings := &vw.DiarySettings{}
	mask := &fieldmaskpb.FieldMask{}
	if c.Step != nil {
		settings.StartStepMinutes = *c.Step
		mask.Paths = append(mask.Paths, "start_step_minutes")
	}
	if c.Keep != nil {
		settings.ProvisionalMinutes = *c.Keep
		mask.Paths = append(mask.Paths, "provisional_minutes")
	}
	if c.Microscope != nil {
		settings.AccessEquipmentClass = *c.Microscope
		mask.Paths = append(mask.Paths, "access_equipment_class")
	}
	if c.NurseAllTime != nil {
		settings.NurseThroughout = *c.NurseAllTime
		mask.Paths = append(mask.Paths, "nurse_throughout")
	}
	if c.OnsetFree != nil {
		settings.ClinicianFreeDuringOnset = *c.OnsetFree
		mask.Paths = append(mask.Paths, "clinician_free_during_onset")
	}
	if c.HolidayRegion != nil {
		settings.HolidayRegion = *c.HolidayRegion
		mask.Paths = append(mask.Paths, "holiday_region")
	}
	for _, text := range c.Reserve {
		r, err := parseReserve(text)
		if err != nil {
			return err
		}
		settings.Reserves = append(settings.Reserves, r)
	}
	if len(c.Reserve) > 0 {
		mask.Paths = append(mask.Paths, "reserves")
	}
	if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	was, err := s.diarySettings()
	if err != nil {
		return err
	}
	settings.Name, settings.Etag = was.GetName(), was.GetEtag()
	now, err := s.Client.Diary.UpdateDiarySettings(s.Context, &vw.UpdateDiarySettingsRequest{Settings: settings, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { showDiarySettings(p, now) })
}

// parseReserve reads "mon=08:00-08:30@07:30".
func parseReserve(text string) (*vw.EmergencyReserve, error) {
	day, rest, found := strings.Cut(text, "=")
	span, release, released := strings.Cut(rest, "@")
	if !found || !released {
		return nil, usage("--reserve %q: want DAY=HH:MM-HH:MM@HH:MM, for example mon=11:00-12:00@10:00", text)
	}
	weekday, err := parseWeekday("--reserve", day)
	if err != nil {
		return nil, err
	}
	s, err := parseSpan("--reserve", span)
	if err != nil {
		return nil, err
	}
	at, err := parseClock("--reserve", release)
	if err != nil {
		return nil, err
	}
	return &vw.EmergencyReserve{Weekday: weekday, FromMinute: s.GetFromMinute(), ToMinute: s.GetToMinute(), ReleaseMinute: at.GetHours()*60 + at.GetMinutes()}, nil
}

func showDiarySettings(p *Page, d *vw.DiarySettings) {
	p.Title("How the diary is run")
	p.Field("starts every", "%d min", d.GetStartStepMinutes())
	p.Field("provisional", "kept for %d min if nobody says", d.GetProvisionalMinutes())
	nurse := "before and after"
	if d.GetNurseThroughout() {
		nurse = "throughout"
	}
	p.Field("a nurse is held", "%s", nurse)
	onset := "stays"
	if d.GetClinicianFreeDuringOnset() {
		onset = "is free"
	}
	p.Field("during onset", "the clinician %s", onset)
	p.Field("from access on", "%s", orElse(prefixed("holds a ", d.GetAccessEquipmentClass()), "holds no equipment"))
	p.Field("if needed", "released %s before", plural(int(d.GetIfNeededReleaseDays()), "day", "days"))
	p.Field("holidays of", "%s", orElse(d.GetHolidayRegion(), "no region"))
	p.Field("offers weigh", "a day of waiting %d, a day off target %d, a minute of capacity lost %d", d.GetWaitCost(), d.GetTargetCost(), d.GetCapacityCost())
	for _, r := range d.GetReserves() {
		p.Item("%s", fmt.Sprintf("%s %s-%s is kept for emergencies until %s", dayName(r.GetWeekday()), clock(int(r.GetFromMinute())), clock(int(r.GetToMinute())), clock(int(r.GetReleaseMinute()))))
	}
}

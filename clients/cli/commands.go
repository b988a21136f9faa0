package cli

// Commands is every command that talks to the service. The program that embeds
// them decides where the service runs.
type Commands struct {
	Plan        PlanCommand        `cmd:"" help:"Plan one tooth: odds, appointment lengths, return windows, visit sheet."`
	Patient     PatientCommand     `cmd:"" help:"Keep patients."`
	Case        CaseCommand        `cmd:"" help:"Keep cases: one tooth from referral to discharge."`
	Assess      AssessCommand      `cmd:"" help:"Turn what was found into difficulty and a forecast of canals."`
	Propose     ProposeCommand     `cmd:"" help:"Compute the treatment options of a case and keep them as the next revision."`
	Accept      AcceptCommand      `cmd:"" help:"Accept one option, with the patient's consent. Clinicians only."`
	Revisions   RevisionsCommand   `cmd:"" help:"List the plan revisions of a case, or show one."`
	Assessments AssessmentsCommand `cmd:"" help:"List the assessments of a case, or show one."`
	Compare     CompareCommand     `cmd:"" help:"Say what differs between two revisions."`
	Sheet       SheetCommand       `cmd:"" help:"Print the visit sheet: one page for nurse and clinician."`
	Together    TogetherCommand    `cmd:"" help:"Plan several teeth of one patient for the same visits."`
	Chair       ChairCommand       `cmd:"" help:"Run a visit from the chair: marks, events, finish or dress, end, replan."`
	Speed       SpeedCommand       `cmd:"" help:"Say what the practice's own visits taught, and how its estimates held."`
	Stop        StopCommand        `cmd:"" help:"Close a case with its reason."`
	Offers      OffersCommand      `cmd:"" help:"Find sets of places that fit the plan: lengths, windows, people, room, equipment."`
	Book        BookCommand        `cmd:"" help:"Book an offer, firmly or provisionally."`
	Place       PlaceCommand       `cmd:"" help:"Check, and book, a place that was chosen by hand."`
	Arrange     ArrangeCommand     `cmd:"" help:"Book a visit that no plan asks for: a consultation, emergency relief, a review."`
	Booking     BookingCommand     `cmd:"" help:"Show a booking, or make a provisional one firm."`
	Appointment AppointmentCommand `cmd:"" help:"Show, move or cancel an appointment; note that the patient came."`
	Diary       DiaryCommand       `cmd:"" help:"Show the diary: a day, a week, conflicts, changes; write iCalendar files."`
	Emergency   EmergencyCommand   `cmd:"" help:"Red-flag questions first, then the next place."`
	ShortNotice ShortNoticeCommand `cmd:"" help:"Keep the list of patients who take a freed place."`
	TakeIn      TakeInCommand      `cmd:"" help:"Take in another system's appointments, and mark what collides."`
	Resource    ResourceCommand    `cmd:"" help:"Keep rooms, nurses and equipment."`
	Hours       HoursCommand       `cmd:"" help:"Show or set working hours."`
	Closure     ClosureCommand     `cmd:"" help:"Keep closures, absences and public holidays."`
	Due         DueCommand         `cmd:"" help:"The follow-up list: return visits, restorations, reviews that fall due."`
	Care        CareCommand        `cmd:"" help:"Record what happens around visits: filled, restored, reviewed, a call; letters."`
	Message     MessageCommand     `cmd:"" help:"Show and steer messages to patients."`
	Outcomes    OutcomesCommand    `cmd:"" help:"Say how recalls and teeth went."`
	Jobs        JobsCommand        `cmd:"" help:"Show the jobs that run by themselves."`
	Settings    SettingsCommand    `cmd:"" help:"Show or change how the practice works."`
	Clinician   ClinicianCommand   `cmd:"" help:"Keep the people who treat."`
	Person      PersonCommand      `cmd:"" help:"Keep the people who sign in."`
	Catalogue   CatalogueCommand   `cmd:"" help:"List the ids that the other commands take: steps, diagnoses, signs, alerts ..."`
	Figures     FiguresCommand     `cmd:"" help:"List the clinical figures, each with where it comes from."`
	Audit       AuditCommand       `cmd:"" help:"Read and check the audit trail. Managers only."`
}

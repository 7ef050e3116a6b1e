package api

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A sheet row is a pour as a spreadsheet shows it: sites, plants, crews and mixes by name, times on the site's wall
// clock, measures in the units of the header.
type sheetRow struct {
	PourForm
	id      uuid.UUID // zero: a new pour
	version int64
	zone    *time.Location // of the site; nil while that is not known
}

// A column is one field of a sheet row. Title and field name both head it; other is further headings that people use.
type column struct {
	field  string // as in JSON; measures without the unit
	title  string
	remark string // behind the title when written; not needed when read
	other  []string
	of     *dimension // of a measure
	read   func(*sheetRow, cell) error
	write  func(*sheetRow, cell) string
	info   bool // written for people, passed over when read
}

// A cell is one field of a table with what is needed to read or write it.
type cell struct {
	text         string
	unit         unit
	decimalComma bool
	names        *directory
}

// measure makes a column of a number that must be there.
func measure(field, title string, of dimension, value func(*PourForm) *float64) column {
	return column{
		field: field, title: title, of: &of,
		read: func(r *sheetRow, c cell) (err error) {
			*value(&r.PourForm), err = c.number()
			return err
		},
		write: func(r *sheetRow, c cell) string {
			if v := *value(&r.PourForm); v != 0 {
				return c.unit.write(v)
			}
			return ""
		},
	}
}

// maybe makes a column of a number that may be unset; an empty cell unsets it.
func maybe(field, title string, of dimension, value func(*PourForm) **float64) column {
	return column{
		field: field, title: title, of: &of,
		read: func(r *sheetRow, c cell) error {
			if c.text == "" {
				*value(&r.PourForm) = nil
				return nil
			}
			v, err := c.number()
			*value(&r.PourForm) = &v
			return err
		},
		write: func(r *sheetRow, c cell) string {
			if v := *value(&r.PourForm); v != nil {
				return c.unit.write(*v)
			}
			return ""
		},
	}
}

// flag makes a column of yes or no.
func flag(field, title string, value func(*PourForm) *bool) column {
	return column{
		field: field, title: title,
		read: func(r *sheetRow, c cell) (err error) {
			*value(&r.PourForm), err = yesNo(c.text)
			return err
		},
		write: func(r *sheetRow, _ cell) string {
			return map[bool]string{true: "yes", false: "no"}[*value(&r.PourForm)]
		},
	}
}

// words makes a column of text as people type it.
func words(field, title string, value func(*PourForm) *string) column {
	return column{
		field: field, title: title,
		read: func(r *sheetRow, c cell) error {
			*value(&r.PourForm) = meant(c.text)
			return nil
		},
		write: func(r *sheetRow, _ cell) string { return harmless(*value(&r.PourForm)) },
	}
}

// choice makes a column of one of the words that a field may have; spaces and capitals do not matter.
func choice[T ~string](field, title string, value func(*PourForm) *T) column {
	return column{
		field: field, title: title,
		read: func(r *sheetRow, c cell) error {
			*value(&r.PourForm) = T(chosen(c.text))
			return nil
		},
		write: func(r *sheetRow, _ cell) string { return string(*value(&r.PourForm)) },
	}
}

// chosen spells a choice as the field does: slab on ground is slab_on_ground, c1 is C1.
func chosen(text string) string {
	spelled := wordBreaks.Replace(strings.ToLower(text))
	switch spelled {
	case "c0", "c1", "c2":
		return strings.ToUpper(spelled)
	}
	return spelled
}

var wordBreaks = strings.NewReplacer(" ", "_", "-", "_")

// list makes a column of a list in its JSON form; an empty cell is an empty list.
func list[T any](field, title string, value func(*PourForm) *[]T) column {
	return column{
		field: field, title: title, remark: "JSON, SI",
		read: func(r *sheetRow, c cell) error {
			*value(&r.PourForm) = nil
			if c.text == "" {
				return nil
			}
			if strictJSON([]byte(c.text)) != nil || json.Unmarshal([]byte(c.text), value(&r.PourForm)) != nil {
				return errors.New("must be empty or a JSON list as in the API")
			}
			return nil
		},
		write: func(r *sheetRow, _ cell) string {
			if len(*value(&r.PourForm)) == 0 {
				return ""
			}
			text, err := json.Marshal(*value(&r.PourForm))
			if err != nil { // plain data always marshals
				return ""
			}
			return string(text)
		},
	}
}

// named makes a column that refers to another record by name, or by id when names are not unique enough.
func named(field, title string, of func(*directory) map[string]uuid.UUID, value func(*PourForm) *uuid.UUID) column {
	return column{
		field: field, title: title, other: []string{field + "_id", field + "_name"},
		read: func(r *sheetRow, c cell) error {
			id, err := c.names.find(of(c.names), meant(c.text))
			*value(&r.PourForm) = id
			return err
		},
		write: func(r *sheetRow, c cell) string { return harmless(c.names.name(*value(&r.PourForm))) },
	}
}

// moment makes a column of a time on the site's wall clock. It is read after the site is known.
func moment(field, title string, set func(*sheetRow, *time.Time), get func(*sheetRow) *time.Time) column {
	return column{
		field: field, title: title, remark: "site time",
		read: func(r *sheetRow, c cell) error {
			if c.text == "" {
				set(r, nil)
				return nil
			}
			at, err := localTime(c.text, r.zone)
			if err == nil {
				set(r, &at)
			}
			return err
		},
		write: func(r *sheetRow, _ cell) string {
			if at := get(r); at != nil {
				return writeLocal(*at, r.zone)
			}
			return ""
		},
	}
}

// sheetColumns are the columns of a sheet of pours, in the order in which they are written and read: the site comes
// before the times, which are on its clock.
var sheetColumns = []column{
	{
		field: "id", title: "ID",
		read: func(r *sheetRow, c cell) (err error) {
			if c.text == "" {
				return nil
			}
			if r.id, err = uuid.Parse(c.text); err != nil || len(c.text) != 36 {
				return errors.New("must be an id (a UUID), or empty for a new pour")
			}
			return nil
		},
		write: func(r *sheetRow, _ cell) string { return r.id.String() },
	},
	{
		field: "version", title: "Version",
		read: func(r *sheetRow, c cell) (err error) {
			if c.text == "" {
				return nil
			}
			if r.version, err = strconv.ParseInt(c.text, 10, 64); err != nil {
				return errors.New("must be a whole number")
			}
			return nil
		},
		write: func(r *sheetRow, _ cell) string { return strconv.FormatInt(r.version, 10) },
	},
	words("name", "Name", func(f *PourForm) *string { return &f.Name }),
	named("site", "Site", func(d *directory) map[string]uuid.UUID { return d.sites }, func(f *PourForm) *uuid.UUID { return &f.SiteID }),
	named("plant", "Plant", func(d *directory) map[string]uuid.UUID { return d.plants }, func(f *PourForm) *uuid.UUID { return &f.PlantID }),
	named("crew", "Crew", func(d *directory) map[string]uuid.UUID { return d.crews }, func(f *PourForm) *uuid.UUID { return &f.CrewID }),
	named("mix", "Mix", func(d *directory) map[string]uuid.UUID { return d.mixes }, func(f *PourForm) *uuid.UUID { return &f.MixID }),
	moment("starts_at", "Starts", func(r *sheetRow, at *time.Time) {
		if at != nil {
			r.StartsAt = *at
		}
	}, func(r *sheetRow) *time.Time { return &r.StartsAt }),
	moment("occupied_until", "Crew busy until",
		func(r *sheetRow, at *time.Time) { r.OccupiedUntil = at }, func(r *sheetRow) *time.Time { return r.OccupiedUntil }),
	moment("cancel_by", "Cancel by",
		func(r *sheetRow, at *time.Time) { r.CancelBy = at }, func(r *sheetRow) *time.Time { return r.CancelBy }),
	choice("element", "Element", func(f *PourForm) *rules.Element { return &f.Element }),
	measure("thickness", "Thickness", thickness, func(f *PourForm) *float64 { return &f.ThicknessMM }),
	measure("width", "Width", extent, func(f *PourForm) *float64 { return &f.WidthMM }),
	measure("height", "Height", extent, func(f *PourForm) *float64 { return &f.HeightMM }),
	measure("length", "Length", extent, func(f *PourForm) *float64 { return &f.LengthMM }),
	measure("area", "Area", area, func(f *PourForm) *float64 { return &f.AreaM2 }),
	maybe("volume", "Volume", volume, func(f *PourForm) **float64 { return &f.VolumeM3 }),
	maybe("waste", "Waste", percent, func(f *PourForm) **float64 { return &f.WastePct }),
	choice("base_material", "Base material", func(f *PourForm) *string { return &f.Base.Material }),
	measure("base_depth", "Base depth", thickness, func(f *PourForm) *float64 { return &f.Base.DepthMM }),
	measure("base_moisture", "Base moisture", percent, func(f *PourForm) *float64 { return &f.Base.MoisturePct }),
	choice("base_subgrade", "Subgrade", func(f *PourForm) *string { return &f.Base.Subgrade }),
	flag("base_turf", "Turf on base", func(f *PourForm) *bool { return &f.Base.Turf }),
	list("base_temps", "Base temperatures", func(f *PourForm) *[]rules.DepthTemp { return &f.Base.Temps }),
	measure("foam", "Foam", thickness, func(f *PourForm) *float64 { return &f.FoamMM }),
	flag("vapour_retarder", "Vapour retarder", func(f *PourForm) *bool { return &f.VapourRetarder }),
	flag("reinforced", "Reinforced", func(f *PourForm) *bool { return &f.Reinforced }),
	choice("exposure", "Exposure class", func(f *PourForm) *rules.Exposure { return &f.Exposure }),
	{
		field: "service_category", title: "Service category",
		read: func(r *sheetRow, c cell) error {
			r.ServiceCategory = 0
			if c.text == "" {
				return nil
			}
			category, err := strconv.Atoi(c.text)
			if err != nil {
				return errors.New("must be 1, 2, 3 or 4")
			}
			r.ServiceCategory = category
			return nil
		},
		write: func(r *sheetRow, _ cell) string {
			if r.ServiceCategory == 0 {
				return ""
			}
			return strconv.Itoa(r.ServiceCategory)
		},
	},
	maybe("form_r", "Form resistance", resistance, func(f *PourForm) **float64 { return &f.FormRM2KW }),
	flag("windbreak", "Windbreak", func(f *PourForm) *bool { return &f.Windbreak }),
	flag("lights", "Lights", func(f *PourForm) *bool { return &f.Lights }),
	maybe("placed_temp", "Placed temperature", temperature, func(f *PourForm) **float64 { return &f.PlacedTempC }),
	maybe("haul", "Haul", minutes, func(f *PourForm) **float64 { return &f.HaulMin }),
	list("protection", "Protection", func(f *PourForm) *[]rules.Protection { return &f.Protection }),
	list("protection_at_hand", "Protection at hand", func(f *PourForm) *[]rules.Cover { return &f.ProtectionAtHand }),
	list("ground_cover", "Ground cover", func(f *PourForm) *[]rules.GroundCover { return &f.GroundCover }),
	words("note", "Note", func(f *PourForm) *string { return &f.Note }),
}

// list names the units of a dimension.
func (d dimension) list() string {
	var names []string
	for _, u := range d.units {
		names = append(names, u.names[0])
	}
	return strings.Join(names, ", ")
}

// number reads a measure; an empty cell is 0, which the schema refuses where there must be a number.
func (c cell) number() (float64, error) {
	if c.text == "" {
		return 0, nil
	}
	value, err := number(c.text, c.decimalComma)
	return c.unit.toRecord(value), err
}

func yesNo(text string) (bool, error) {
	switch strings.ToLower(text) {
	case "", "no", "n", "false", "0":
		return false, nil
	case "yes", "y", "true", "1", "x":
		return true, nil
	}
	return false, errors.New("must be yes or no")
}

// A directory finds the records that a sheet names, among those that the caller may see.
type directory struct {
	sites, plants, crews, mixes map[string]uuid.UUID // by lower-case name
	names                       map[uuid.UUID]string
	zones                       map[uuid.UUID]*time.Location // of sites
}

func (d *directory) find(kind map[string]uuid.UUID, text string) (uuid.UUID, error) {
	if text == "" {
		return uuid.Nil, errors.New("is required")
	}
	if id, ok := kind[strings.ToLower(text)]; ok {
		return id, nil
	}
	if id, err := uuid.Parse(text); err == nil && d.names[id] != "" && kind[strings.ToLower(d.names[id])] == id {
		return id, nil
	}
	return uuid.Nil, errors.New("there is none of that name or id")
}

func (d *directory) name(id uuid.UUID) string {
	if name := d.names[id]; name != "" {
		return name
	}
	return id.String()
}

// localForms are the ways in which spreadsheets write a time. With slashes the month comes first, with dots the day.
var localForms = []string{
	"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05",
	"1/2/2006 15:04", "1/2/2006 15:04:05", "1/2/2006 3:04 PM", "1/2/2006 3:04PM", "1/2/2006 3:04:05 PM", "1/2/06 15:04", "1/2/06 3:04 PM",
	"2.1.2006 15:04", "2.1.2006 15:04:05", "2.1.06 15:04",
}

// offsetForms are exact: they carry their offset.
var offsetForms = []string{time.RFC3339, "2006-01-02 15:04 -07:00", "2006-01-02 15:04:05 -07:00", "2006-01-02T15:04Z07:00"}

// errNoClock is given for a time whose site is not known; that fault is told at the site.
var errNoClock = errors.New("cannot be read without the site")

// localTime reads a time on a site's wall clock. An hour that the spring change of clocks leaves out does not exist
// there, and one that the autumn change repeats has two meanings: both are refused, unless the offset is written too.
func localTime(text string, zone *time.Location) (time.Time, error) {
	for _, form := range offsetForms {
		if at, err := time.Parse(form, text); err == nil {
			return at.UTC(), nil
		}
	}
	if zone == nil {
		return time.Time{}, errNoClock
	}
	for _, form := range localForms {
		wall, err := time.Parse(form, strings.ToUpper(text))
		if err != nil {
			continue
		}
		return onClock(wall, zone)
	}
	return time.Time{}, errors.New("must be a date and time, such as 2026-01-15 07:00 or 1/15/2026 7:00 AM")
}

// onClock finds the moments at which the clock of a zone shows a wall time: none, one or two.
func onClock(wall time.Time, zone *time.Location) (time.Time, error) {
	var found []time.Time
	for _, offset := range offsetsAround(wall, zone) {
		at := wall.Add(-offset)
		if _, o := at.In(zone).Zone(); time.Duration(o)*time.Second == offset {
			found = append(found, at.UTC())
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return time.Time{}, errors.New("does not exist on the site's clock, which skips that hour")
	}
	return time.Time{}, fmt.Errorf("happens twice on the site's clock; add the offset, %s or %s",
		found[0].In(zone).Format("-07:00"), found[1].In(zone).Format("-07:00"))
}

// offsetsAround are the offsets that the zone has a day before and after.
func offsetsAround(wall time.Time, zone *time.Location) []time.Duration {
	_, before := wall.Add(-24 * time.Hour).In(zone).Zone()
	_, after := wall.Add(24 * time.Hour).In(zone).Zone()
	offsets := []time.Duration{time.Duration(before) * time.Second}
	if after != before {
		offsets = append(offsets, time.Duration(after)*time.Second)
	}
	return offsets
}

// writeLocal writes a time so that localTime reads the same moment: on the site's clock, with the offset in an hour
// that happens twice, with seconds only when there are any.
func writeLocal(at time.Time, zone *time.Location) string {
	local := at.In(zone)
	form := "2006-01-02 15:04"
	if at.Second() != 0 || at.Nanosecond() != 0 {
		return at.UTC().Format(time.RFC3339Nano)
	}
	text := local.Format(form)
	if read, err := localTime(text, zone); err != nil || !read.Equal(at) {
		return local.Format(form + " -07:00")
	}
	return text
}

// A heading is a column of a sheet as it stands there.
type heading struct {
	column
	index int    // of the cells below it
	text  string // as sent
	unit  unit
}

// readHeader finds the column behind each heading, and puts them in the order in which they are read. A measure without
// unit is in the firm's units. A sheet that cannot be understood as a whole is refused: no row of it could be trusted.
func readHeader(header []string, us bool) ([]heading, error) {
	var violations []Violation
	headings := make([]heading, len(header))
	seen := map[string]bool{}
	refuse := func(text, code, detail string) {
		violations = append(violations, Violation{Row: 1, Column: text, Code: code, Detail: detail})
	}
	for i, text := range header {
		found, u, ok := findColumn(text, us)
		switch {
		case text == "":
			refuse("column "+strconv.Itoa(i+1), "required", "has no heading")
		case !ok && found.field != "":
			refuse(text, "unit", "has a unit that is not known; use one of "+found.of.list())
		case !ok:
			refuse(text, "unknown", "is not a known column")
		case seen[found.field]:
			refuse(text, "repeated", "stands twice")
		}
		seen[found.field] = true
		headings[i] = heading{column: found, index: i, text: text, unit: u}
	}
	if len(violations) > 0 {
		return nil, invalid(violations...)
	}
	slices.SortStableFunc(headings, func(a, b heading) int { return rank(a.field) - rank(b.field) })
	return headings, nil
}

// rank is the place of a column in sheetColumns.
func rank(field string) int {
	return slices.IndexFunc(sheetColumns, func(c column) bool { return c.field == field })
}

var bracketed = regexp.MustCompile(`^(.*?)\s*[(\[]([^)\]]*)[)\]]$`)

// findColumn knows a heading by title or by field name, in any case. Of a measure, the unit may stand in brackets or,
// as in the names of fields, at the end; what stands in brackets elsewhere is a remark. A column whose unit is not
// known comes back with false.
func findColumn(text string, us bool) (column, unit, bool) {
	name, remark := text, ""
	if m := bracketed.FindStringSubmatch(text); m != nil {
		name, remark = m[1], m[2]
	}
	for _, c := range slices.Concat(sheetColumns, infoColumns) {
		known := slices.ContainsFunc(append([]string{c.field, c.title}, c.other...), func(n string) bool { return spelled(n) == spelled(name) })
		if known && c.of == nil {
			return c, unit{}, true
		}
		if known {
			u, ok := c.of.find(strings.TrimSpace(remark), us)
			return c, u, ok
		}
		if c.of == nil {
			continue
		}
		for _, u := range c.of.units {
			if slices.ContainsFunc(u.names, func(n string) bool { return n != "" && spelled(c.field+"_"+n) == spelled(text) }) {
				return c, u, true
			}
		}
	}
	return column{}, unit{}, false
}

// spelled is a name without case, spaces and signs.
func spelled(name string) string {
	return strings.Trim(signs.ReplaceAllString(strings.ToLower(name), "_"), "_")
}

var signs = regexp.MustCompile(`[^a-z0-9]+`)

// needed are the fields that a new pour must have.
var needed = []string{"name", "site", "plant", "crew", "mix", "starts_at", "element", "thickness"}

// lacking finds the columns that a new pour needs and the sheet has not.
func lacking(headings []heading, row int) []Violation {
	var violations []Violation
	for _, field := range needed {
		if !slices.ContainsFunc(headings, func(h heading) bool { return h.field == field }) {
			violations = append(violations, Violation{Row: row, Column: sheetColumns[rank(field)].title, Code: "required", Detail: "is a column that new pours need"})
		}
	}
	return violations
}

// read puts a row's cells into a sheet row that holds what is there already: the pour of an update, or nothing. A cell
// that says what is there already leaves it alone, so that a sheet which we wrote changes nothing, to the last digit.
func (r *sheetRow) read(headings []heading, cells tableRow, t *table, names *directory) []Violation {
	var violations []Violation
	before := *r
	for _, h := range headings {
		if h.info {
			continue
		}
		c := cell{text: cells.cell(h.index), unit: h.unit, decimalComma: t.decimalComma, names: names}
		r.zone = names.zones[r.SiteID]
		if strings.ContainsFunc(c.text, isControl) {
			violations = append(violations, Violation{Row: cells.number, Column: h.text, Code: "control_character", Detail: "must not contain control characters"})
			continue
		}
		if before.zone != nil && asRead(h.write(&before, c)) == c.text {
			continue
		}
		err := h.read(r, c)
		if err != nil && (!errors.Is(err, errNoClock) || len(violations) == 0) {
			violations = append(violations, Violation{Row: cells.number, Column: h.text, Code: "invalid", Detail: err.Error()})
		}
	}
	return violations
}

// asRead is a cell as it is after it was written and read: a reader of CSV takes the carriage return off line ends, and
// readTable the space around.
func asRead(text string) string {
	return strings.TrimSpace(strings.ReplaceAll(text, "\r\n", "\n"))
}

// inColumns moves violations of a form to the columns that the values came from.
func inColumns(violations []Violation, row int, headings []heading) []Violation {
	moved := make([]Violation, len(violations))
	for i, v := range violations {
		moved[i] = Violation{Row: row, Code: v.Code, Detail: v.Detail}
		h, ok := headingOf(v.Pointer, headings)
		switch {
		case !ok && v.Pointer != "":
			moved[i].Column = strings.TrimPrefix(strings.TrimPrefix(v.Pointer, "#"), "/")
		case !ok:
			moved[i].Column = v.Column
		default:
			moved[i].Column = h.text
			if h.of != nil && v.Code == "out_of_range" {
				moved[i].Detail += " " + h.of.units[0].names[0]
			}
		}
	}
	return moved
}

// headingOf finds the heading of a field of the form: #/base/depth_mm is that of base_depth, and what lies inside a
// list is that of the list.
func headingOf(pointer string, headings []heading) (heading, bool) {
	field := strings.ReplaceAll(strings.TrimPrefix(strings.TrimPrefix(pointer, "#"), "/"), "/", "_")
	exact, _, _ := findColumn(field, false)
	var best heading
	for _, h := range headings {
		if h.field == exact.field {
			return h, true
		}
		if strings.HasPrefix(field, h.field+"_") && h.of == nil && len(h.field) > len(best.field) {
			best = h
		}
	}
	return best, best.field != ""
}

// infoColumns tell people what is thought of a pour. They are passed over when a sheet comes back.
var infoColumns = []column{
	{field: "state", title: "State", info: true},
	{field: "verdict", title: "Verdict", info: true},
	{field: "reason", title: "Reason", info: true},
	{field: "next_window", title: "Next window", remark: "site time", info: true},
}

// writeSheet writes pours as a sheet that can be read again.
func writeSheet(lines []db.PourLine, names *directory, us bool) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	var header []string
	for _, c := range slices.Concat(sheetColumns, infoColumns) {
		remark := c.remark
		if c.of != nil {
			remark = c.of.written(us)
		}
		if remark != "" {
			remark = " (" + remark + ")"
		}
		header = append(header, c.title+remark)
	}
	_ = w.Write(header) // an error stays with the writer
	for _, line := range lines {
		zone := names.zones[line.SiteID]
		row := sheetRow{PourForm: pourForm(line.Pour), id: line.ID, version: line.Version, zone: zone}
		var cells []string
		for _, c := range sheetColumns {
			as := cell{names: names}
			if c.of != nil {
				as.unit, _ = c.of.find("", us)
			}
			cells = append(cells, c.write(&row, as))
		}
		next := ""
		if line.NextWindowAt != nil {
			next = writeLocal(*line.NextWindowAt, zone)
		}
		_ = w.Write(append(cells, string(line.State), string(line.Verdict), harmless(line.WorstReason), next))
	}
	w.Flush()
	return out.Bytes(), w.Error()
}

package api

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"frostgate/db"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
)

// fromRules words what the rules say of a part of a case, so that what they accept is written down once, in rules. Parts
// that are other records here are left out.
func fromRules(wrong []rules.Violation, except ...string) []Violation {
	var violations []Violation
	for _, v := range wrong {
		if !slices.ContainsFunc(except, func(part string) bool { return v.Pointer == part || strings.HasPrefix(v.Pointer, part+"/") }) {
			violations = append(violations, fromRule(v.Pointer, v.Detail))
		}
	}
	return violations
}

func fromRule(pointer, detail string) Violation {
	if detail == "is required" {
		return atPointer(pointer, "required", detail)
	}
	return atPointer(pointer, "invalid", detail)
}

// accepted is an error when there are violations.
func accepted(violations []Violation) error {
	if len(violations) > 0 {
		return invalid(violations...)
	}
	return nil
}

// missing words a reference to a record that is not there.
func missing(err error, pointer string) error {
	if errors.Is(err, db.ErrNotFound) {
		return invalid(atPointer(pointer, "invalid", "does not exist"))
	}
	return err
}

// neat is a text as tables and forms bring it back: without white space around it, its lines ended in one way.
func neat(text string) string { return strings.TrimSpace(lineEnds.Replace(text)) }

var lineEnds = strings.NewReplacer("\r\n", "\n", "\r", "\n")

// indexed is the pointer of an entry of a list.
func indexed(pointer string, index int) string { return pointer + "/" + strconv.Itoa(index) }

// DayTime is a time of day on a wall clock, 00:00 to 24:00.
type DayTime string

// Schema describes a time of day.
func (DayTime) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{
		Type: huma.TypeString, Pattern: `^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$`, PatternDescription: "a time of day, such as 07:00",
	}
}

// minutes since midnight; the schema has checked the form.
func (t DayTime) minutes() int {
	hours, minutes, _ := strings.Cut(string(t), ":")
	h, _ := strconv.Atoi(hours)
	m, _ := strconv.Atoi(minutes)
	return 60*h + m
}

func dayTime(minutes int) DayTime {
	return DayTime(fmt.Sprintf("%02d:%02d", minutes/60, minutes%60))
}

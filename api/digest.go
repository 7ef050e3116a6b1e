package api

import "time"

// A DigestForm is when an endpoint is sent the day's pours of its crews and plants.
type DigestForm struct {
	Morning   string `json:"morning,omitempty" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" patternDescription:"a time of day, such as 05:30" doc:"When the pours of the same day are sent, local." example:"05:30"`
	Afternoon string `json:"afternoon,omitempty" pattern:"^([01][0-9]|2[0-3]):[0-5][0-9]$" patternDescription:"a time of day, such as 14:00" doc:"When the pours of the next day are sent, local." example:"14:00"`
	Timezone  string `json:"timezone,omitempty" maxLength:"60" doc:"IANA name of the zone that the times are of. Needed with either." example:"America/Chicago"`
	Empty     bool   `json:"empty,omitempty" doc:"Also on days without a pour."`
}

// check refuses what the schema cannot.
func (f *DigestForm) check() error {
	switch {
	case f == nil, f.Morning == "" && f.Afternoon == "" && f.Timezone == "":
		return nil
	case f.Timezone == "":
		return invalid(atPointer("/digest/timezone", "required", "is required"))
	case f.Timezone == "Local":
		return invalid(atPointer("/digest/timezone", "choice", "is not a known time zone"))
	}
	if _, err := time.LoadLocation(f.Timezone); err != nil {
		return invalid(atPointer("/digest/timezone", "choice", "is not a known time zone"))
	}
	return nil
}

// wanted is the form, or nil when it asks for nothing.
func (f *DigestForm) wanted() *DigestForm {
	if f == nil || f.Morning == "" && f.Afternoon == "" {
		return nil
	}
	return f
}

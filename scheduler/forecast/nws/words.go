package nws

import (
	"encoding/json"
	"regexp"
	"slices"

	"frostgate/scheduler/forecast"
)

// kinds are the words of the weather layer and what falls: the more dangerous
// wins where several are named.
var kinds = map[string]string{
	"rain": "rain", "rain_showers": "rain", "drizzle": "rain", "thunderstorms": "rain",
	"snow": "snow", "snow_showers": "snow", "snow_grains": "snow",
	"sleet": "ice_pellets", "ice_pellets": "ice_pellets",
	"freezing_rain": "freezing_rain", "freezing_drizzle": "freezing_rain",
	"hail":         "hail",
	"blowing_snow": "none", "blowing_dust": "none", "blowing_sand": "none", "freezing_fog": "none", "freezing_spray": "none",
	"fog": "none", "fog/mist": "none", "frost": "none", "haze": "none", "ice_crystals": "none", "ice_fog": "none", "smoke": "none",
	"volcanic_ash": "none", "water_spouts": "none", "dust": "none",
}

// worst orders what falls from the harmless to the dangerous.
var worst = []string{"none", "unknown", "rain", "snow", "hail", "ice_pellets", "freezing_rain"}

// weather reads the layer of words, settles what falls in each hour, and gives
// the words it does not know.
func (t *table) weather(text json.RawMessage) (unknown []string) {
	named := make([]string, len(t.hours))
	l, err := readLayer(text)
	if err != nil {
		t.flag(forecast.Precipitation, forecast.Dropped)
	}
	for _, s := range l.segments {
		kind, strange := readWords(s.value)
		unknown = append(unknown, strange...)
		for i := t.begin(s.from); i < t.begin(s.to); i++ {
			named[i] = kind
		}
	}
	for i := range t.hours {
		settleType(&t.hours[i], named[i])
	}
	slices.Sort(unknown)
	return slices.Compact(unknown)
}

var word = regexp.MustCompile(`^[a-z_/ ]{1,30}$`)

// readWords gives the worst of what the words of one segment name; "none" when
// they name nothing that falls.
func readWords(text json.RawMessage) (kind string, unknown []string) {
	var list []struct {
		Weather string `json:"weather"`
	}
	if json.Unmarshal(text, &list) != nil || list == nil {
		return "", nil
	}
	kind = "none"
	rain := false
	for _, entry := range list {
		if entry.Weather == "" {
			continue // an entry of nulls is no weather
		}
		k, known := kinds[entry.Weather]
		if !known {
			k = "unknown"
			if word.MatchString(entry.Weather) {
				unknown = append(unknown, entry.Weather)
			}
		}
		rain = rain || k == "rain"
		if slices.Index(worst, k) > slices.Index(worst, kind) {
			kind = k
		}
	}
	if kind == "snow" && rain {
		return "sleet", unknown // both, mixed
	}
	return kind, unknown
}

// settleType says what falls in an hour: by the words, else by the snow and ice
// that are expected to lie afterwards.
func settleType(h *forecast.Hour, named string) {
	switch {
	case h.PrecipMM == nil:
		h.PrecipType = named
	case *h.PrecipMM == 0:
		h.PrecipType = "none"
	case named != "" && named != "none":
		h.PrecipType = named
	case h.IceAccumMM != nil && *h.IceAccumMM > 0:
		h.PrecipType = "freezing_rain"
	case h.SnowfallDepthM == nil:
		h.PrecipType = "unknown"
	case *h.SnowfallDepthM > 0:
		h.PrecipType = "snow"
	default:
		h.PrecipType = "rain"
	}
	if h.PrecipMM != nil && h.PrecipType == "snow" {
		h.SnowfallSWEMM = new(*h.PrecipMM)
	}
}

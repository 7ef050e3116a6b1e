package db

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"strings"
	"time"

	"github.com/google/uuid"
)

// copyColumns are the columns of forecast_hours in the order of copyRows.hour.
var copyColumns = []string{
	"issue_id", "at", "air_temp_c", "dew_point_c", "rel_humidity", "wind_ms", "gust_ms", "wind_from_deg", "cloud",
	"shortwave_wm2", "precip_mm", "precip_prob", "precip_prob_window_h", "precip_type", "snowfall_mm_swe",
	"snowfall_depth_m", "ice_accum_mm", "snow_depth_m", "soil_temps", "skin_temp_c", "pressure_pa",
	"air_temp_sd_c", "wind_sd_ms", "flags",
}

var copyStatement = "copy forecast_hours (" + strings.Join(copyColumns, ", ") + ") from stdin binary"

// copyHours sends the hours of an issue by COPY. The rows are written out here
// and not by pgx, which asks the server for the columns' types each time and
// takes twice as long over the values.
func (tx *Tx) copyHours(ctx context.Context, issueID uuid.UUID, hours []Hour) error {
	var rows copyRows
	rows.begin()
	for i := range hours {
		if err := rows.hour(issueID, &hours[i]); err != nil {
			return err
		}
	}
	rows.end()
	_, err := tx.tx.Conn().PgConn().CopyFrom(ctx, bytes.NewReader(rows.data), copyStatement)
	return fault(err)
}

// copyRows is the binary form of COPY (PostgreSQL manual, COPY, Binary Format):
// each value after its length, most significant byte first.
type copyRows struct{ data []byte }

func (r *copyRows) begin() {
	r.data = append(r.data, "PGCOPY\n\xff\r\n\x00"...)
	r.data = append(r.data, make([]byte, 8)...) // no flags, no extension
}

func (r *copyRows) end() { r.data = append(r.data, 0xff, 0xff) }

func (r *copyRows) hour(issueID uuid.UUID, h *Hour) error {
	r.data = binary.BigEndian.AppendUint16(r.data, uint16(len(copyColumns))) //nolint:gosec // 24
	r.bytes(issueID[:])
	r.time(h.At)
	r.numbers(h.AirTempC, h.DewPointC, h.RelHumidity, h.WindMS, h.GustMS, h.WindFromDeg, h.Cloud,
		h.ShortwaveWm2, h.PrecipMM, h.PrecipProb)
	r.small(h.PrecipProbWindowH)
	r.bytes([]byte(h.PrecipType))
	r.numbers(h.SnowfallMMSWE, h.SnowfallDepthM, h.IceAccumMM, h.SnowDepthM)
	if err := r.layers(h.SoilTemps); err != nil {
		return err
	}
	r.numbers(h.SkinTempC, h.PressurePa, h.AirTempSDC, h.WindSDMS)
	r.integer(h.Flags)
	return nil
}

func (r *copyRows) length(n int) {
	r.data = binary.BigEndian.AppendUint32(r.data, uint32(n)) //nolint:gosec // of one value
}

func (r *copyRows) null() { r.data = append(r.data, 0xff, 0xff, 0xff, 0xff) }

func (r *copyRows) bytes(value []byte) {
	r.length(len(value))
	r.data = append(r.data, value...)
}

func (r *copyRows) integer(value int64) {
	r.length(8)
	r.data = binary.BigEndian.AppendUint64(r.data, uint64(value)) //nolint:gosec // the same bits
}

// time is in microseconds since the year 2000.
func (r *copyRows) time(at time.Time) {
	const since = 946684800 * 1_000_000
	r.integer(at.UnixMicro() - since)
}

func (r *copyRows) numbers(values ...*float64) {
	for _, value := range values {
		if value == nil {
			r.null()
			continue
		}
		r.length(8)
		r.data = binary.BigEndian.AppendUint64(r.data, math.Float64bits(*value))
	}
}

func (r *copyRows) small(value *int16) {
	if value == nil {
		r.null()
		return
	}
	r.length(2)
	r.data = binary.BigEndian.AppendUint16(r.data, uint16(*value)) //nolint:gosec // the same bits
}

// layers are jsonb: a version byte, then the text.
func (r *copyRows) layers(layers []SoilTemp) error {
	if layers == nil {
		r.null()
		return nil
	}
	text, err := json.Marshal(layers)
	if err != nil {
		return err
	}
	r.bytes(append([]byte{1}, text...))
	return nil
}

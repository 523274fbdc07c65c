package cli

import (
	"bytes"
	"encoding/json"
	"io"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// marshal encodes schema messages by the schema's field names, with zero values
// in place so that a script finds every field; anything else as encoding/json
// does. 64-bit integers of messages are strings, as protobuf's JSON mapping has it.
func marshal(v any) ([]byte, error) {
	if m, ok := v.(proto.Message); ok {
		raw, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(m)
		if err != nil {
			return nil, err
		}
		// protojson varies its white space on purpose; compact it away.
		var b bytes.Buffer
		err = json.Compact(&b, raw)
		return b.Bytes(), err
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return bytes.TrimRight(b.Bytes(), "\n"), err
}

// Raw returns a message as it stands within a larger JSON value.
func Raw(m proto.Message) (json.RawMessage, error) { return marshal(m) }

// WriteJSON writes one indented JSON value.
func WriteJSON(w io.Writer, v any) error {
	raw, err := marshal(v)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err = w.Write(b.Bytes())
	return err
}

// WriteJSONLine writes one JSON value on a line of its own, for streams.
func WriteJSONLine(w io.Writer, v any) error {
	raw, err := marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(raw, '\n'))
	return err
}

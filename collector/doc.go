// Package collector takes what nodes send and sees it safely into the store:
// it decodes, calibrates and checks each message, commits many messages at
// once, and only then lets them be acknowledged. It exists to keep three
// promises: what was acknowledged is on stable storage, what came twice is
// kept once, and what could not be read is kept whole, with the reason.
//
// Messages come in at two fronts: collector/broker, our own MQTT broker, and
// collector/client, which listens at a broker of the keeper's. Both hand them
// to one [Intake].
package collector

import (
	"time"

	"outyard"
)

// A Message is one MQTT publication, as a front received it.
type Message struct {
	Topic   string
	Payload []byte // not to be changed any more
	Arrived time.Time
	// Retained says that a broker had kept it for whoever subscribes: it may
	// be of any age.
	Retained bool
	// Ack is called once, when what the message said is on stable storage,
	// be it as readings or as refused. It must not block. It may be nil. A
	// message that is never acknowledged is for its sender to send again.
	Ack func()
}

// Places says where readings may be kept. It is asked from many goroutines.
type Places interface {
	// Place says whether a hive, or with no hive the yard itself, has a
	// place, and which scale turns its raw counts into kilograms: nil for
	// none.
	Place(yard outyard.YardID, hive outyard.HiveID) (scale *outyard.Scale, placed bool)
	// Yards lists the yards that the keeper has named.
	Yards() []outyard.YardID
}

// A Placement is the places that a config gives.
type Placement struct {
	ids   []outyard.YardID
	yards map[outyard.YardID]map[outyard.HiveID]*outyard.Scale
	auto  bool
}

// NewPlacement places the yards and their hives. With auto, everything else
// has a place too, without a scale.
func NewPlacement(yards []outyard.Yard, auto bool) *Placement {
	p := &Placement{yards: make(map[outyard.YardID]map[outyard.HiveID]*outyard.Scale, len(yards)), auto: auto}
	for _, y := range yards {
		p.ids = append(p.ids, y.ID)
		p.yards[y.ID] = make(map[outyard.HiveID]*outyard.Scale, len(y.Hives))
		for _, h := range y.Hives {
			p.yards[y.ID][h.ID] = h.Scale
		}
	}
	return p
}

// Place is as [Places] wants it.
func (p *Placement) Place(yard outyard.YardID, hive outyard.HiveID) (*outyard.Scale, bool) {
	hives, placed := p.yards[yard]
	if !placed || hive == "" {
		return nil, placed || p.auto
	}
	scale, placed := hives[hive]
	return scale, placed || p.auto
}

// Yards is as [Places] wants it.
func (p *Placement) Yards() []outyard.YardID { return p.ids }

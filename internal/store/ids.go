package store

import (
	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
)

// Each kind of row has an id type of its own, so that a lot is never taken for a batch.
type (
	WorkshopID     uuid.UUID
	ChangeID       uuid.UUID
	PersonID       uuid.UUID
	SessionID      uuid.UUID
	SupplierID     uuid.UUID
	MaterialID     uuid.UUID
	LotID          uuid.UUID
	FillingID      uuid.UUID
	RetestID       uuid.UUID
	DocumentID     uuid.UUID
	FormulaID      uuid.UUID
	VersionID      uuid.UUID
	PortionID      uuid.UUID
	PortionLineID  uuid.UUID
	StepID         uuid.UUID
	ControlID      uuid.UUID
	ProductID      uuid.UUID
	PlanID         uuid.UUID
	BatchID        uuid.UUID
	BatchLineID    uuid.UUID
	InputID        uuid.UUID
	TickID         uuid.UUID
	ReadingID      uuid.UUID
	ClimateID      uuid.UUID
	CureWeighingID uuid.UUID
	RejectID       uuid.UUID
	PackingID      uuid.UUID
	PackingInputID uuid.UUID
	DeviationID    uuid.UUID
	SignatureID    uuid.UUID
	CustomerID     uuid.UUID
	DispatchID     uuid.UUID
	DispatchLineID uuid.UUID
	ReturnID       uuid.UUID
	UnitMoveID     uuid.UUID
	StockMoveID    uuid.UUID
	HoldID         uuid.UUID
	EquipmentID    uuid.UUID
	LogEntryID     uuid.UUID
	UsedID         uuid.UUID
	StageMassID    uuid.UUID
	SampleID       uuid.UUID
	SampleCheckID  uuid.UUID
	CrateID        uuid.UUID
	CrateLineID    uuid.UUID
	ReworkID       uuid.UUID
	UnitCodeID     uuid.UUID
	ComplaintID    uuid.UUID
	FollowUpID     uuid.UUID
	BulkMoveID     uuid.UUID
	TokenID        uuid.UUID
	RecallID       uuid.UUID
	RowID          uuid.UUID // of any table
)

type anyID interface{ ~[16]byte }

// newID makes a time-ordered id (UUID version 7), so that new rows land together at the end of an index.
func newID[T anyID]() T { return T(uuid.Must(uuid.NewV7())) }

// Text writes an id for a form field or a URL that has no code.
func Text[T anyID](id T) string { return uuid.UUID(id).String() }

// ParseID reads an id from a form or a URL; what is not one is not found, since nobody types ids.
func ParseID[T anyID](text string) (T, error) {
	id, err := uuid.Parse(text)
	if err != nil {
		return T{}, fault.New(fault.NotFound, "That is not in the book.")
	}
	return T(id), nil
}

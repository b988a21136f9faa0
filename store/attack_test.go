package store_test

import (
	"testing"

	"github.com/visitwright/visitwright/store/storetest"
)

func TestManyClientsOnOneFileNeverBookTwice(t *testing.T) {
	storetest.TestAttack(t, sqliteBackend(), 1, 16, 40)
}

func TestManyClientsOnTwoReplicasNeverBookTwice(t *testing.T) {
	storetest.TestAttack(t, postgresBackend(), 2, 16, 40)
}

func TestTheAttackFindsOverlapsOnceTheTriggersAreGone(t *testing.T) {
	storetest.TestAttackSeesOverlaps(t, sqliteBackend())
}

func TestTheAttackFindsOverlapsOnceTheConstraintIsGone(t *testing.T) {
	storetest.TestAttackSeesOverlaps(t, postgresBackend())
}

func TestTheDiaryOnSQLiteEqualsItsModel(t *testing.T) { storetest.TestModel(t, sqliteBackend()) }

func TestTheDiaryOnPostgreSQLEqualsItsModel(t *testing.T) {
	storetest.TestModel(t, postgresBackend())
}

func TestTheHistoryOnOneFileHasAnOrder(t *testing.T) { storetest.TestHistory(t, sqliteBackend(), 1) }

func TestTheHistoryOnTwoReplicasHasAnOrder(t *testing.T) {
	storetest.TestHistory(t, postgresBackend(), 2)
}

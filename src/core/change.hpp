// Change: a pulse that went missing, or came back, while we listened.
//
// The seconds before are the engine's own reference: same pipe, same microphone, same place. So a
// lead that is pulled shows within a second, long before the seconds after it could be judged
// alone.
#pragma once

#include <optional>
#include <span>

#include "core/passage.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::core {

/// The change that parts `events` (of one passage, any order) in two, with no exception on either
/// side; empty when there is none. `positions`: of the layout, at least 1.
std::optional<PulseChange> find_change(std::span<const HeardEvent> events, std::size_t positions);

}  // namespace pipebeat::core

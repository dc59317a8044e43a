// The job card as one page to print or send.
#pragma once

#include <string>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/job.hpp"

namespace pipebeat::show {

/// A recording of the job, heard again for its pictures.
struct SheetRecording {
  int entry;  ///< id of the finding it belongs to
  Engine engine;
  Finding finding;
};

/// What the readings pointed to at some time.
struct SheetConclusion {
  int before_work;  ///< id of the work entry that followed; 0: as it stands now
  Diagnosis diagnosis;
};

struct SheetContent {
  const JobCard& card;
  std::vector<SheetRecording> recordings;
  std::vector<SheetConclusion> conclusions;  ///< in time order
  std::string date;                          ///< of printing, UTC
};

/// A whole HTML document: no scripts, nothing fetched (its content security policy forbids both),
/// every text of the owner's escaped. Fits A4 and Letter.
[[nodiscard]] std::string to_sheet(const SheetContent& content);

}  // namespace pipebeat::show

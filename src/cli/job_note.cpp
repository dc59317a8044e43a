#include "cli/job_note.hpp"

#include "cli/command.hpp"
#include "job/store.hpp"

namespace pipebeat::cli {

bool note_in_job(const std::string& job, std::string_view command,
                 const std::vector<std::string>& recordings, std::string_view json) {
  if (job.empty()) return true;
  JobEntry entry;
  entry.kind = JobEntry::Kind::finding;
  entry.command = command;
  entry.finding = json;
  for (const std::string& recording : recordings) {
    if (recording == "-") {
      entry.recordings.push_back("standard input");
      continue;
    }
    auto kept = job::keep_recording(job, recording);
    if (!kept) {
      complain(kept.error());
      return false;
    }
    entry.recordings.push_back(std::move(*kept));
  }
  const auto added = job::append(job, {std::move(entry)});
  if (!added) complain(added.error());
  return added.has_value();
}

}  // namespace pipebeat::cli

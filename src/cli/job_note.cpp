#include "cli/job_note.hpp"

#include <fmt/format.h>

#include "cli/command.hpp"
#include "job/store.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

bool not_kept(Error error) {
  error.what += ", so the job does not have this finding";
  complain(error);
  return false;
}

}  // namespace

bool note_in_job(const std::string& job, std::string_view command,
                 const std::vector<std::string>& recordings, std::string_view json, bool tell) {
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
      return not_kept(kept.error());
    }
    entry.recordings.push_back(std::move(*kept));
  }
  const auto added = job::append(job, {std::move(entry)});
  if (!added) return not_kept(added.error());
  if (tell) fmt::print("\n  Kept in the job. What it points to:\n    pipebeat job next {}\n", show::as_argument(job));
  return true;
}

}  // namespace pipebeat::cli

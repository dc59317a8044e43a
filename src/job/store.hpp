// The job folder: one readable JSON file, the recordings, the sheets.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/job.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat::job {

/// Name of the job file inside its folder.
inline constexpr std::string_view file_name = "job.json";
/// Name of the owner's own table of likelihoods inside the folder, if there is one.
inline constexpr std::string_view table_name = "likelihoods.json";
/// Version of the schema that is written; DEVELOPERS.md describes it. Older ones are read.
inline constexpr int schema_version = 2;

/// Makes the folder (and those above it) and a job file in it.
/// Errors: bad_argument when there is a job in it already; no_permission, write_failed.
Result<void> create(const std::string& folder, const JobCard& card);

/// Reads a job. Errors: not_found, no_permission; damaged, naming line and column; unsupported for a
/// schema newer than this program.
Result<JobCard> load(const std::string& folder);

/// Adds entries, and returns the job with them. Ids are given here, dates where they are empty.
///
/// Other processes may write at the same time: the folder is locked, the file is read again, written
/// beside the old one, synced and renamed, so that a reader sees the old file or the new one and no
/// entry is lost. Names in the file that this program does not know are kept.
/// Errors: those of load; bad_argument when an entry corrects one that isn't there or no longer
/// holds; device when another process holds the folder for longer than 10 s; write_failed.
Result<JobCard> append(const std::string& folder, std::vector<JobEntry> entries);

/// Takes a recording into the job's `recordings` folder and returns its name relative to the job
/// folder. A file that is inside already, or is there with the same content, is not copied again;
/// what is no plain file, or larger than 64 MB, stays where it is and keeps its name.
/// Errors: not_found, write_failed.
Result<std::string> keep_recording(const std::string& folder, const std::string& recording);

/// Now, UTC, "2026-11-25T16:40:00Z".
[[nodiscard]] std::string now();

}  // namespace pipebeat::job

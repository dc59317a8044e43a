#include "job/store.hpp"

#include <fmt/format.h>

#include <unistd.h>
#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <ctime>

#include <filesystem>
#include <set>

#include "job/files.hpp"
#include "job/json_text.hpp"

namespace pipebeat::job {

namespace {

namespace fs = std::filesystem;

constexpr int most_entries = 1'000'000;

// ---- entries and cards to JSON -----------------------------------------------------------------

constexpr std::array<std::string_view, 5> kind_names{"reading", "finding", "work", "note",
                                                     "withdrawal"};

Json to_json(const JobEntry& e) {
  Json j;
  j["id"] = e.id;
  j["date"] = e.date;
  j["kind"] = kind_names[static_cast<std::size_t>(e.kind)];
  if (e.replaces != 0) j["replaces"] = e.replaces;
  switch (e.kind) {
    case JobEntry::Kind::reading: {
      const Reading& r = e.reading;
      j["what"] = r.what;
      if (r.cylinder != 0) j["cylinder"] = r.cylinder;
      if (!r.word.empty()) j["word"] = r.word;
      if (r.value) {
        j["value"] = *r.value;
        j["unit"] = r.unit;
      }
      if (r.swapped_with != 0) j["swapped_with"] = r.swapped_with;
      if (!r.followed.empty()) j["followed"] = r.followed;
      j["given"] = r.given;
      break;
    }
    case JobEntry::Kind::finding:
      j["command"] = e.command;
      j["recordings"] = e.recordings;
      j["finding"] = Json::parse(e.finding);
      break;
    default:
      if (e.cylinder != 0) j["cylinder"] = e.cylinder;
      j["text"] = e.text;
  }
  return j;
}

Json to_json(const JobCard& card) {
  Json j;
  j["schema"] = fmt::format("pipebeat.job/{}", schema_version);
  j["created"] = card.created;
  j["vehicle"] = card.vehicle;
  Json& engine = j["engine"];
  engine["layout"] = card.layout;
  engine["cylinders"] = card.engine.cylinders;
  engine["strokes"] = card.engine.strokes;
  engine["order"] = card.engine.order;
  engine["order_stated"] = card.order_stated;
  engine["intervals_deg"] = card.engine.intervals_deg;
  engine["heard"] = card.engine.heard;
  engine["rows"] = card.rows;
  engine["fuel"] = to_string(card.bench.fuel);
  engine["injection"] = to_string(card.bench.injection);
  engine["ignition"] = to_string(card.bench.ignition);
  j["tools"] = card.tools;
  j["entries"] = Json::array();
  return j;
}

std::string dump(const Json& document) {
  return document.dump(2, ' ', false, Json::error_handler_t::replace) + '\n';
}

// ---- JSON to entries and cards -----------------------------------------------------------------

template <class Enum>
Enum choice(const Node& engine, std::string_view key,
            std::optional<Enum> (*named)(std::string_view)) {
  const Node node = engine.at(key);
  const auto value = named(node.text());
  if (!value) node.wrong(fmt::format("{} \"{}\" is not known", key, node.text()));
  return *value;
}

Reading reading_from(const Node& node, const Bench& bench) {
  Reading r;
  r.what = node.at("what").text();
  const auto kinds = reading_kinds();
  const auto kind = std::find_if(kinds.begin(), kinds.end(),
                                 [&](const ReadingKind& k) { return k.name == r.what; });
  if (kind == kinds.end()) node.at("what").wrong("there is no reading of that name");
  r.cylinder = node.integer_or("cylinder", 0, 0, bench.cylinders);
  if (kind->per_cylinder && r.cylinder == 0) node.wrong("\"cylinder\" is missing");
  r.word = node.text_or("word");
  if (const auto value = node.find("value")) r.value = value->number();
  r.unit = node.text_or("unit");
  r.given = node.text_or("given");
  r.swapped_with = node.integer_or("swapped_with", 0, 0, bench.cylinders);
  r.followed = node.text_or("followed");
  if (!r.followed.empty() && r.followed != "yes" && r.followed != "no") {
    node.at("followed").wrong("say \"yes\" or \"no\"");
  }

  // A file edited by hand is held to the same rules as the command line.
  std::string text = r.word;
  if (r.value) text = fmt::format("{}{}", *r.value, r.unit);
  if (kind->dimension == Dimension::swap) {
    text = fmt::format("{}:{}>{}", r.word, r.cylinder, r.swapped_with);
  }
  const auto checked = read_reading(r.what, text, r.cylinder, bench);
  if (!checked) node.wrong(checked.error().what);
  r.value = checked->reading.value;  // someone may have written another unit
  r.unit = checked->reading.unit;
  return r;
}

JobEntry entry_from(const Node& node, const Bench& bench, int last_id) {
  JobEntry e;
  e.id = node.at("id").integer(1, most_entries);
  if (e.id <= last_id) node.at("id").wrong("ids must rise from entry to entry");
  e.date = node.at("date").text();
  const Node kind = node.at("kind");
  const auto it = std::find(kind_names.begin(), kind_names.end(), kind.text());
  if (it == kind_names.end()) kind.wrong("there is no entry of that kind");
  e.kind = static_cast<JobEntry::Kind>(it - kind_names.begin());
  e.replaces = node.integer_or("replaces", 0, 1, most_entries);
  switch (e.kind) {
    case JobEntry::Kind::reading: e.reading = reading_from(node, bench); break;
    case JobEntry::Kind::finding: {
      e.command = node.at("command").text();
      e.recordings = node.texts_or_none("recordings");
      const Node finding = node.at("finding");
      if (!finding.json().is_object()) finding.wrong("an object {...} belongs here");
      e.finding = finding.json().dump(-1, ' ', false, Json::error_handler_t::replace);
      break;
    }
    default:
      e.cylinder = node.integer_or("cylinder", 0, 0, bench.cylinders);
      e.text = node.at("text").text();
  }
  return e;
}

std::vector<int> integers(const Node& node, int least, int most) {
  std::vector<int> out;
  for (const Node& item : node.items()) out.push_back(item.integer(least, most));
  return out;
}

/// Version 1 had no fuel and kept readings and findings in two lists without ids.
Json upgraded(const JsonText& old) {
  const Node root{old.root};
  Json j = old.root;
  j["schema"] = fmt::format("pipebeat.job/{}", schema_version);
  Json& engine = j["engine"];
  if (!engine.is_object()) root.at("engine").wrong("an object {...} belongs here");
  for (const auto& [key, value] : {std::pair{"fuel", "petrol"}, std::pair{"injection", "port"},
                                   std::pair{"ignition", "unknown"}}) {
    if (!engine.contains(key)) engine[key] = value;
  }
  std::vector<Json> entries;
  for (const char* list : {"readings", "findings"}) {
    const auto node = root.find(list);
    if (!node) continue;
    for (const Node& item : node->items()) {
      static_cast<void>(item.at("date").text());
      Json entry = item.json();
      entry["kind"] = std::string{list}.substr(0, std::strlen(list) - 1);
      entries.push_back(std::move(entry));
    }
    j.erase(list);
  }
  std::stable_sort(entries.begin(), entries.end(),
                   [](const Json& a, const Json& b) { return a["date"] < b["date"]; });
  int id = 0;
  for (Json& entry : entries) entry["id"] = ++id;
  j["entries"] = entries;
  return j;
}

JobCard card_from(const Json& document) {
  const Node root{document};
  JobCard card;
  card.created = root.at("created").text();
  card.vehicle = root.at("vehicle").text();
  const Node engine = root.at("engine");
  constexpr int most_cylinders = 16;
  card.layout = engine.text_or("layout");
  card.engine.cylinders = engine.at("cylinders").integer(1, most_cylinders);
  card.engine.strokes = engine.integer_or("strokes", 4, 2, 4);
  if (const auto node = engine.find("order"))
    card.engine.order = integers(*node, 1, most_cylinders);
  if (const auto node = engine.find("order_stated")) card.order_stated = node->truth();
  if (const auto node = engine.find("heard"))
    card.engine.heard = integers(*node, 1, most_cylinders);
  if (const auto node = engine.find("intervals_deg")) {
    for (const Node& item : node->items()) card.engine.intervals_deg.push_back(item.number());
  }
  if (const auto made = Engine::make(card.engine); !made) engine.wrong(made.error().what);
  if (const auto node = engine.find("rows")) {
    for (const Node& row : node->items()) {
      card.rows.push_back(integers(row, 1, card.engine.cylinders));
    }
  }
  card.bench.cylinders = card.engine.cylinders;
  card.bench.strokes = card.engine.strokes;
  card.bench.fuel = choice(engine, "fuel", fuel_named);
  card.bench.injection = choice(engine, "injection", injection_named);
  card.bench.ignition = choice(engine, "ignition", ignition_named);
  card.tools = root.texts_or_none("tools");
  int last_id = 0;
  for (const Node& node : root.at("entries").items()) {
    card.entries.push_back(entry_from(node, card.bench, last_id));
    last_id = card.entries.back().id;
  }
  return card;
}

// Moving a Json lets an empty one go, which reserves memory in its destructor (nlohmann 3.11).
// NOLINTNEXTLINE(bugprone-exception-escape)
struct Loaded {
  Json document;  ///< in the present schema
  JobCard card;
};

Result<Loaded> load_document(const std::string& folder) {
  const std::string path = path_in(folder, file_name);
  auto text = read_file(path);
  if (!text) {
    Error error = text.error();
    if (error.code == ErrorCode::not_found) {
      std::error_code no_such_file;
      const bool is_file = std::filesystem::is_regular_file(folder, no_such_file);
      error = is_file ? Error{ErrorCode::bad_argument, folder + ": it is a file, and a job is a folder",
                              "name the folder that job.json is in"}
                      : Error{ErrorCode::not_found, folder + ": there is no job in it",
                              "make one: pipebeat job new " + folder + " --vehicle NAME --engine NAME"};
    }
    return tl::unexpected(error);
  }
  const auto parsed = JsonText::parse(path, std::move(*text));
  if (!parsed) return tl::unexpected(parsed.error());
  const std::string hint =
      "mend that place in a text editor, or restore a copy; nothing was written";
  try {
    const Node root{parsed->root};
    const Node schema = root.at("schema");
    const std::string name = schema.text();
    constexpr std::string_view family = "pipebeat.job/";
    int version = 0;
    if (name.starts_with(family) && name.size() > family.size() &&
        name.size() < family.size() + 6 &&
        name.find_first_not_of("0123456789", family.size()) == std::string::npos) {
      version = std::stoi(name.substr(family.size()));
    }
    if (version < 1) schema.wrong(fmt::format("\"{}\" is no job schema", name));
    if (version > schema_version) {
      return fail(
          ErrorCode::unsupported,
          fmt::format("{}: written by a newer pipebeat (schema {}; this one reads up to {})", path,
                      version, schema_version),
          "use the newer pipebeat for this job; nothing was written");
    }
    Loaded out;
    out.document = version == 1 ? upgraded(*parsed) : parsed->root;
    out.card = card_from(out.document);
    return out;
  } catch (const Damage& damage) {
    return tl::unexpected(parsed->error(damage, hint));
  }
}

}  // namespace

std::string now() {
  const std::time_t time = std::chrono::system_clock::to_time_t(std::chrono::system_clock::now());
  std::tm utc{};
  ::gmtime_r(&time, &utc);
  return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z", utc.tm_year + 1900, utc.tm_mon + 1,
                     utc.tm_mday, utc.tm_hour, utc.tm_min, utc.tm_sec);
}

Result<void> create(const std::string& folder, const JobCard& card) {
  std::error_code error;
  fs::create_directories(folder, error);
  if (error) {
    errno = error.value();
    return system_failure(folder, "make the folder");
  }
  const auto directory = lock_folder(folder);
  if (!directory) return tl::unexpected(directory.error());
  const std::string path = path_in(folder, file_name);
  if (fs::exists(fs::symlink_status(path, error))) {
    return fail(ErrorCode::bad_argument, folder + ": there is a job in it already",
                "choose another folder, or see it: pipebeat job show " + folder);
  }
  return write_file(path, dump(to_json(card)), Existing::refuse);
}

Result<JobCard> load(const std::string& folder) {
  auto loaded = load_document(folder);
  if (!loaded) return tl::unexpected(loaded.error());
  return std::move(loaded->card);
}

Result<JobCard> append(const std::string& folder, std::vector<JobEntry> entries) {
  const auto directory = lock_folder(folder);
  if (!directory) return tl::unexpected(directory.error());
  auto loaded = load_document(folder);
  if (!loaded) return tl::unexpected(loaded.error());
  JobCard& card = loaded->card;
  for (JobEntry& e : entries) {
    if (e.replaces != 0) {
      const auto standing = card.standing();
      const auto replaced = std::find_if(standing.begin(), standing.end(),
                                         [&](const JobEntry* s) { return s->id == e.replaces; });
      if (replaced == standing.end()) {
        return fail(ErrorCode::bad_argument,
                    fmt::format("{}: there is no entry {} that still holds", folder, e.replaces),
                    "`pipebeat job show " + folder + "` lists them with their numbers");
      }
      if (e.kind != JobEntry::Kind::withdrawal && e.kind != (*replaced)->kind) {
        return fail(ErrorCode::bad_argument,
                    fmt::format("{}: entry {} is of another kind than what should take its place",
                                folder, e.replaces),
                    "`pipebeat job show " + folder + "` lists the entries with their numbers");
      }
    }
    e.id = card.entries.empty() ? 1 : card.entries.back().id + 1;
    if (e.date.empty()) e.date = now();
    try {
      loaded->document["entries"].push_back(to_json(e));
    } catch (const Json::exception&) {
      return fail(ErrorCode::bad_argument, folder + ": the finding is no JSON, so it was not kept",
                  "please report this to the authors");
    }
    card.entries.push_back(std::move(e));
  }
  const std::string path = path_in(folder, file_name);
  const std::string text = dump(loaded->document);
  // What could not be read again is not written.
  if (const auto again = JsonText::parse(path, text); !again) return tl::unexpected(again.error());
  if (auto written = write_file(path, text, Existing::replace); !written) {
    return tl::unexpected(written.error());
  }
  return std::move(card);
}

Result<std::string> keep_recording(const std::string& folder, const std::string& recording) {
  std::error_code error;
  const fs::path source = fs::canonical(recording, error);
  if (error || !fs::is_regular_file(source, error)) return recording;
  const fs::path home = fs::canonical(folder, error);
  if (error) {
    errno = error.value();
    return system_failure(folder, "open the job folder");
  }
  const fs::path inside = source.lexically_relative(home);
  if (!inside.empty() && *inside.begin() != "..") return inside.string();
  const fs::path shelf = home / "recordings";
  fs::create_directories(shelf, error);
  if (error) {
    errno = error.value();
    return system_failure(shelf.string(), "make the folder");
  }
  constexpr std::uintmax_t longest_kept = std::uintmax_t{64} << 20;
  const std::uintmax_t length = fs::file_size(source, error);
  if (error || length > longest_kept || ::access(source.c_str(), R_OK) != 0) return source.string();
  constexpr int most_of_one_name = 1000;
  for (int n = 1; n <= most_of_one_name; ++n) {
    const std::string name =
        n == 1 ? source.filename().string()
               : fmt::format("{}-{}{}", source.stem().string(), n, source.extension().string());
    const std::string target = (shelf / name).string();
    const std::string relative = (fs::path{"recordings"} / name).string();
    if (same_content(source.string(), target)) return relative;
    if (fs::exists(fs::symlink_status(target, error))) continue;
    const auto written = copy_file(source.string(), target);
    if (written) return relative;
    if (!fs::exists(target, error)) return tl::unexpected(written.error());
  }
  return fail(
      ErrorCode::write_failed,
      fmt::format("{}: no name is free there for {}", shelf.string(), source.filename().string()),
      "check the folder's permissions, or give the recording another name");
}

}  // namespace pipebeat::job

namespace pipebeat {

std::vector<const JobEntry*> JobCard::standing() const {
  std::set<int> replaced;
  for (const JobEntry& e : entries) replaced.insert(e.replaces);
  std::vector<const JobEntry*> out;
  for (const JobEntry& e : entries) {
    if (e.kind != JobEntry::Kind::withdrawal && !replaced.contains(e.id)) out.push_back(&e);
  }
  return out;
}

}  // namespace pipebeat
